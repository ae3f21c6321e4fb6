#include "line.h"

#include "frame.h"
#include "port.h"

#define RECEIVED 128 /* a power of two; 2.5 ms at 500,000 baud */

static volatile uint8_t received[RECEIVED]; /* a byte is there before its index says so */
static volatile uint8_t received_head, received_tail;

static volatile uint8_t sent[256]; /* its indices wrap by themselves */
static volatile uint8_t sent_head, sent_tail;

/* The frame being written: not seen by the port before `line_end`. */
static uint8_t head, code_at, code;
static uint16_t crc;

void line_received(uint8_t byte)
{
    uint8_t next = (received_head + 1) & (RECEIVED - 1);

    if (next != received_tail) {
        received[received_head] = byte;
        received_head = next;
    }
}

bool line_take(uint8_t *byte)
{
    if (received_tail == received_head)
        return false;
    *byte = received[received_tail];
    received_tail = (received_tail + 1) & (RECEIVED - 1);
    return true;
}

bool line_next(uint8_t *byte)
{
    if (sent_tail == sent_head)
        return false;
    *byte = sent[sent_tail];
    sent_tail++;
    return true;
}

/* COBS as the bytes come: `code_at` is the index of the block's code byte, filled in when the block ends. */
static void start_block(void)
{
    code_at = head++;
    code = 1;
}

static void stuff(uint8_t byte)
{
    if (code == 0xFF) {
        sent[code_at] = code;
        start_block();
    }
    if (byte) {
        sent[head++] = byte;
        code++;
    } else {
        sent[code_at] = code;
        start_block();
    }
}

bool line_begin(uint8_t length)
{
    uint8_t room = (uint8_t)(sent_tail - sent_head - 1);

    if (room < length + 2 + 3) /* CRC; two code bytes and the zero */
        return false;
    head = sent_head;
    crc = 0xFFFF;
    start_block();
    return true;
}

void line_put(uint8_t byte)
{
    crc = frame_crc(crc, byte);
    stuff(byte);
}

void line_put_u16(uint16_t value)
{
    line_put((uint8_t)value);
    line_put((uint8_t)(value >> 8));
}

void line_put_u32(uint32_t value)
{
    line_put_u16((uint16_t)value);
    line_put_u16((uint16_t)(value >> 16));
}

void line_end(void)
{
    uint16_t check = crc;

    stuff((uint8_t)check);
    stuff((uint8_t)(check >> 8));
    sent[code_at] = code;
    sent[head++] = 0;
    sent_head = head;
    port_transmit();
}
