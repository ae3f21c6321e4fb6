/* Step generation: from a rate to steps at the pins, in the timer interrupt.
 *
 * Time goes in slots of SLOT_US. Each channel has a phase, its position between two steps in 1/65536; every slot
 * adds the rate to it, and where it wraps a step is due in the next slot, `at` 1/256 of it after its start. So a
 * channel makes at most one step in two slots, its mean rate is exact, and nothing is divided but for the
 * time within the slot. Steps are planned one slot ahead of the pins.
 */
#ifndef STEPS_H
#define STEPS_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

#define SLOT_US 128

struct step {
    uint8_t at; /* 1/256 of a slot after its start */
    uint8_t channel;
    bool clockwise;
};

/* For the port's timer interrupt, once a slot: plan the steps of the next one, earliest first; returns their
 * number. Then make them in order. Making may interrupt planning; planning must not interrupt making, and neither
 * may interrupt itself. */
uint8_t steps_plan(struct step steps[CHANNELS]);
void steps_make(const struct step *step);

/* From the port, with interrupts locked: so many slots could not be served. The board's time falls behind by them,
 * and so do its pointers. */
void steps_lose_slots(uint16_t slots);

/* Slots lost since the start, modulo 65536: those, and those in which all rates were zero for want of a new one. */
uint16_t steps_slots_lost(void);

/* Counts wrap at 2^32 as those of the frames do: an endless pointer may turn for ever. */
static inline int32_t count_plus(int32_t count, int32_t steps)
{
    return (int32_t)((uint32_t)count + (uint32_t)steps);
}

static inline int32_t count_minus(int32_t count, int32_t steps)
{
    return (int32_t)((uint32_t)count - (uint32_t)steps);
}

/* A position to a fraction of a step; the motor is at the nearest whole step. */
struct position {
    int32_t count;     /* whole steps, clockwise positive */
    uint16_t fraction; /* 1/65536 step more */
};

/* What the sensors found since last asked. */
struct finding {
    bool mark;       /* an index mark was entered clockwise, or left counter-clockwise */
    bool stop;       /* the end stop closed */
    int32_t mark_at; /* steps */
    int32_t stop_at; /* steps */
};

void steps_start(void);

/* Slots since the start, modulo 65536. */
uint16_t steps_clock(void);

/* The position that is planned; `settled` tells whether the pins have got there. */
struct position steps_position(uint8_t channel, bool *settled);

/* Set the rate: 1/65536 step a slot, clockwise positive, within -32767 to 32767. All rates fall to zero by
 * themselves when none was set for ALIVE_SLOTS: a main loop that hangs must not turn a motor for ever. */
#define ALIVE_SLOTS 250
void steps_rate(uint8_t channel, int16_t rate);

/* Read the sensors of a channel that makes no steps. */
void steps_look(uint8_t channel);

/* Take what was found; without a finding nothing is written to `found`. */
void steps_found(uint8_t channel, struct finding *found);
bool steps_stop_closed(uint8_t channel);

/* Renumber so that `zero` (steps) becomes 0; the motor does not move. */
void steps_renumber(uint8_t channel, int32_t zero);

/* Current on the coils, or none. Coils that get current again hold the position that they had. */
void steps_current(uint8_t channel, bool on);

#endif
