/* Step generation: from a rate to steps at the pins, in the timer interrupt.
 *
 * Time goes in slots of SLOT_US. Each channel has a phase, its place between two steps in 1/65536; every slot
 * adds the rate to it, and where it wraps a step falls in the next slot, `at` 1/256 of it after its start. So a
 * channel makes at most one step in two slots, its mean rate is exact, and nothing is divided but for the
 * place within the slot. Steps are planned one slot ahead of the pins.
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

/* For the port's timer interrupt. Once a slot: plan the steps of the next one, earliest first; gives their
 * number. Then each step in its turn. Steps may be made while the next slot is planned, not the other way about,
 * and neither may interrupt itself. */
uint8_t steps_plan(struct step steps[CHANNELS]);
void steps_make(const struct step *step);

/* From the port, with interrupts locked: so many slots could not be served. The board's time falls behind by them,
 * and so do its pointers. */
void steps_lose_slots(uint16_t slots);

/* Slots lost since the start, modulo 65536: those, and those in which all rates were zero for want of a new one. */
uint16_t steps_slots_lost(void);

/* Counts go round at 2^32 as those of the frames do: an endless pointer may turn for ever. */
static inline int32_t count_plus(int32_t count, int32_t steps)
{
    return (int32_t)((uint32_t)count + (uint32_t)steps);
}

static inline int32_t count_minus(int32_t count, int32_t steps)
{
    return (int32_t)((uint32_t)count - (uint32_t)steps);
}

/* A place in whole steps and 1/65536; the motor stands at the nearest whole step. */
struct place {
    int32_t count;
    uint16_t fraction; /* upward */
};

/* What a sensor found since last asked. */
struct finding {
    bool mark; /* an index mark was entered clockwise, or left the other way */
    bool stop; /* the end stop closed */
    int32_t mark_at, stop_at;
};

void steps_start(void);

/* Slots since the start, modulo 65536. */
uint16_t steps_clock(void);

/* Where the plan stands; `settled` says whether the pins have got there. */
struct place steps_place(uint8_t channel, bool *settled);

/* Steps in 1/65536 a slot, clockwise positive, within -32767 to 32767. All rates fall to zero by themselves
 * when none was set for ALIVE_SLOTS: a main loop that hangs must not turn a motor for ever. */
#define ALIVE_SLOTS 250
void steps_rate(uint8_t channel, int16_t rate);

/* Look at the sensors of a channel that stands still. */
void steps_look(uint8_t channel);

/* Take away what was found; without a finding nothing is written to `found`. */
void steps_found(uint8_t channel, struct finding *found);
bool steps_stop_closed(uint8_t channel);

/* Call the place `zero` zero; nothing turns. */
void steps_renumber(uint8_t channel, int32_t zero);

/* Current on the coils, or none. Coils that get current again hold the place that they had. */
void steps_current(uint8_t channel, bool on);

#endif
