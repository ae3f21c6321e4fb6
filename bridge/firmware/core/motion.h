/* How a channel follows its target: within its speed and acceleration, never past its stops, without overshoot.
 *
 * Once a control tick (TICK_SLOTS) the follower picks the rate of the next. Towards the target, whose own rate
 * is fed forward, it closes in at the highest rate from which it can still brake: sqrt(2 b r) for a distance r, b
 * being 7/8 of the acceleration so that the last eighth absorbs rounding per tick; and within the last step at
 * r / TAU_SLOTS, which joins the parabola without a kink. From behind on a target that moves it closes in with
 * 1 / CATCH_UP_DIVISOR of the acceleration, since the target may be braking itself. The change of rate per tick is
 * held within the acceleration, the rate within the speed, and within what can be braked before a stop.
 *
 * Units: distances in 1/65536 step; rates in 1/65536 step a slot, clockwise positive; changes of rate in 1/16 of
 * that a tick.
 */
#ifndef MOTION_H
#define MOTION_H

#include "steps.h"

#define TICK_SLOTS 16
#define CARRY_SLOTS ((uint16_t)(CARRY_MS * 1000L / SLOT_US))
#define TAU_SHIFT 7 /* TAU_SLOTS is 128 */

struct motion {
    /* limits */
    int16_t fastest;    /* rate */
    uint16_t push;      /* the acceleration, as a change of rate */
    uint16_t brake;     /* 7/8 of it */
    uint32_t near, far; /* distances: below `near` closing in is linear, beyond `far` at full speed */
    int32_t low, high;  /* stops in steps */
    bool bounded;       /* has stops */

    /* target */
    bool follows;         /* the target, or else just `goal_rate` */
    struct position goal; /* where the target is now */
    int16_t goal_rate;    /* rate of the target */
    uint16_t carry_slots; /* slots for which the target still moves on */

    int32_t rate; /* of the channel, in 1/256 of a rate, so that small accelerations add up */
};

/* Set the limits: steps/s up to FASTEST_STEPS_S, steps/s^2 up to 200000, stops in steps. */
void motion_limit(struct motion *motion, uint16_t speed, uint32_t acceleration, int32_t low, int32_t high);

/* From now on: go to this position, which moves at `velocity` (1/256 step/s) for CARRY_SLOTS and then stops. */
void motion_follow(struct motion *motion, struct position goal, int32_t velocity);

/* From now on: turn at this rate, stops or not; 0 stops smoothly. */
void motion_run(struct motion *motion, int16_t rate);

/* Whether the target moves, or is more than half a step away. */
bool motion_wants(const struct motion *motion, struct position position);

/* Advance by `slots` from `position`; returns the rate for the next tick. */
int16_t motion_tick(struct motion *motion, struct position position, uint16_t slots);

/* The distance from a position to another, held within +-32766 steps. */
int32_t motion_distance(struct position from, struct position to);

/* The rate in 1/256 step/s. */
int32_t motion_velocity(int16_t rate);

#endif
