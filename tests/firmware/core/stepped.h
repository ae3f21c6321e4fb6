/* A port without a clock of its own: the board advances slot by slot as it is told, and all that happens at its
 * pins and on its line is handed to `record`. The plant behind the pins is that of the host port (plant.h). */
#ifndef STEPPED_H
#define STEPPED_H

#include <stddef.h>
#include <stdint.h>

#include "plant.h"

enum record_kind {
    STEP_RECORD,    /* value: 1 clockwise, -1 counter-clockwise, as the pointer turns */
    CURRENT_RECORD, /* value: 1 when coils or driver are switched on, 0 when off */
    PULSE_RECORD,   /* value: half microseconds, when they change */
    SENT_RECORD,    /* value: a byte on its way to the host */
    LAMP_RECORD     /* value: its level, when it changes; `channel` is its number */
};

extern struct plant plant;
extern bool line_stuck; /* the line takes no byte */

/* To be provided: `time` is in 1/256 slot since the start. */
void record(uint64_t time, enum record_kind kind, uint8_t channel, int32_t value);

void stepped_start(void);
void stepped_receive(const uint8_t *bytes, size_t count);
void stepped_advance(uint32_t slots);

#endif
