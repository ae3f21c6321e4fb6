/* How a channel follows its target: within its speed and acceleration, never past its stops, without overshoot.
 *
 * Once a control tick (TICK_SLOTS) the follower picks the rate of the next. Towards the target, whose own rate
 * is fed forward, it closes in at the highest rate from which it can still brake: sqrt(2 b r) for a way r, b
 * being 7/8 of the acceleration so that the last eighth absorbs rounding per tick; and within the last step at
 * r / TAU_SLOTS, which joins the parabola without a kink. From behind on a target that moves it closes in with
 * 1 / CATCH_UP_DIVISOR of the acceleration, since the target may be braking itself. The change of rate per tick is held within the acceleration, the rate within the speed, and
 * within what can be braked before a stop.
 *
 * Units: ways in 1/65536 step, rates in 1/65536 step a slot, changes of rate in 1/16 of that a tick.
 */
#ifndef MOTION_H
#define MOTION_H

#include "steps.h"

#define TICK_SLOTS 16
#define CARRY_SLOTS ((uint16_t)(CARRY_MS * 1000L / SLOT_US))
#define TAU_SHIFT 7     /* TAU_SLOTS is 128 */

struct motion {
    /* limits */
    int16_t fastest;
    uint16_t push, brake;
    uint32_t near, far; /* ways: below `near` linear, beyond `far` at full speed */
    int32_t low, high;  /* stops in steps */
    bool bounded;

    /* target */
    bool follows; /* the target, or else just `goal_rate` */
    struct place goal;
    int16_t goal_rate;
    uint16_t carry_slots; /* how long the target still moves on */

    int32_t rate; /* in 1/256 of a rate, so that small accelerations add up */
};

/* Set the limits: steps/s up to 3900, steps/s^2 up to 200000. */
void motion_limit(struct motion *motion, uint16_t speed, uint32_t acceleration, int32_t low, int32_t high);

/* From now on: go to this place, which moves at `velocity` (1/256 step/s) for CARRY_SLOTS and then stops. */
void motion_follow(struct motion *motion, struct place goal, int32_t velocity);

/* From now on: turn at this rate, stops or not; 0 stops smoothly. */
void motion_run(struct motion *motion, int16_t rate);

/* Whether the target is, or moves, more than half a step away. */
bool motion_wants(const struct motion *motion, struct place place);

/* Live on by `slots` from `place`; gives the rate for the next tick. */
int16_t motion_tick(struct motion *motion, struct place place, uint16_t slots);

/* The way from a place to another in 1/65536 step, held within +-32766 steps. */
int32_t motion_way(struct place from, struct place to);

/* The rate in 1/256 step/s. */
int32_t motion_velocity(int16_t rate);

#endif
