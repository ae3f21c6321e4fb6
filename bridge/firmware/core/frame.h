/* The frame format on a serial line: COBS over payload and CRC, ended by a zero byte.
 * The table in DEVELOPERS.md is the contract. Knows no state of the board. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "contract.h"

#define FRAME_HEADER 3 /* version, type, sequence */

/* CRC-16/IBM-3740; start with 0xFFFF. */
uint16_t frame_crc(uint16_t crc, uint8_t byte);

/* Takes a line apart byte by byte. Never writes beyond `payload`; whatever comes, the next zero byte starts
 * afresh. Zero it to begin. */
struct frame_reader {
    uint8_t payload[FRAME_LONGEST + 2]; /* with its CRC */
    uint8_t length;                     /* bytes in payload */
    uint8_t left;                       /* of the COBS block */
    bool started;                       /* something came since the last zero byte */
    bool zero_next;                     /* a zero is between this block and the next */
    bool broken;
    uint16_t bad; /* frames that failed, modulo 65536 */
};

/* Take one byte; returns the length of the payload when a good frame is complete, otherwise 0. */
uint8_t frame_read(struct frame_reader *reader, uint8_t byte);

/* What the format says against a host's frame on a board with so many channels and lamps. */
enum refusal frame_check(const uint8_t *payload, uint8_t length, uint8_t channels, uint8_t lamps);

/* The mask of a MOVE, HOME, ADOPT, REST or LIGHT; its records follow (MOVE: 9 bytes a channel, ADOPT and LIGHT: 4). */
uint16_t frame_mask(const uint8_t *payload);

uint16_t frame_u16(const uint8_t *at);
int32_t frame_i32(const uint8_t *at);

#endif
