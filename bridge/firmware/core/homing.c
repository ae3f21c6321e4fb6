#include "homing.h"

#include "board.h"

#define LEAVING_DIVISOR 4 /* a stop must open within a quarter of the search */

static void turn(struct search *search, struct motion *motion, bool clockwise, int32_t count)
{
    int16_t rate = motion->fastest / HOMING_DIVISOR;

    search->from = count;
    motion_run(motion, clockwise ? rate : -rate);
}

void homing_begin(uint8_t channel, struct search *search, struct motion *motion, int32_t count)
{
    uint8_t homing = channel_configs[channel].homing;
    struct finding before;

    steps_look(channel);
    steps_found(channel, &before); /* discarded */
    search->leaving = homing == STOP && steps_stop_closed(channel);
    turn(search, motion, homing == INDEX || search->leaving, count);
}

static bool too_far(uint8_t channel, const struct search *search, int32_t count)
{
    int32_t travelled = count_minus(count, search->from);

    return (travelled < 0 ? -travelled : travelled) >
           channel_configs[channel].search / (search->leaving ? LEAVING_DIVISOR : 1);
}

enum search_result homing_tick(uint8_t channel, struct search *search, struct motion *motion, int32_t count,
                               const struct finding *found, int32_t *zero)
{
    uint8_t homing = channel_configs[channel].homing;
    bool far = too_far(channel, search, count);

    if (homing == INDEX && found->mark) {
        *zero = found->mark_at;
        return FOUND;
    }
    if (homing == STOP && found->stop && !search->leaving) {
        *zero = found->stop_at;
        return FOUND;
    }
    if (search->leaving && !steps_stop_closed(channel)) {
        search->leaving = false;
        turn(search, motion, false, count);
        return SEARCHING;
    }
    if (homing == SWEEP && far) {
        *zero = count;
        return FOUND;
    }
    return far ? NOT_FOUND : SEARCHING;
}
