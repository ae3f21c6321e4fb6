#include "channel.h"

#include "board.h"
#include "events.h"
#include "homing.h"
#include "motion.h"
#include "port.h"

#define HOLD_TICKS ((uint16_t)(HOLD_MS * 1000L / (SLOT_US * TICK_SLOTS) + 1)) /* no less than HOLD_MS */
#define IDLE_TICKS 977  /* 2 s at rest, then coils off if the drive holds without current */
#define WAKE_TICKS 5    /* 10 ms from current on to the first step */
#define CALM_TICKS 10   /* 20 ms from the last step on: the motor has arrived and may lose its current */

struct channel {
    struct motion motion;
    struct position position; /* at the last tick */
    struct search search;
    int32_t found_at;     /* steps: the old count at the home position, 0 if it was unknown */
    uint16_t still_ticks; /* control ticks since the last step */
    uint8_t state;
    uint8_t next;       /* the state to enter when it is at rest; `state` while there is none */
    uint8_t wake_ticks; /* control ticks until its coils have had their current long enough to step */
    bool was_known;     /* when homing began */
    bool current;       /* on the coils */
};

static struct channel channels[CHANNELS];

static bool known(const struct channel *channel)
{
    return channel->state == READY || channel->state == HOLDING || channel->state == RESTING;
}

static void set_coil_current(uint8_t number, bool on)
{
    struct channel *channel = &channels[number];

    if (channel->current == on)
        return;
    channel->current = on;
    channel->wake_ticks = on && channel_configs[number].output != SERVO ? WAKE_TICKS : 0;
    channel->still_ticks = 0;
    steps_current(number, on);
}

static void enter(struct channel *channel, enum state state)
{
    channel->state = channel->next = (uint8_t)state;
    channel->still_ticks = 0;
}

static void stop_then(struct channel *channel, enum state state)
{
    motion_run(&channel->motion, 0);
    channel->next = (uint8_t)state;
}

/* What is at `zero` is at 0 from now on, in the next STATUS too. */
static void renumber(uint8_t number, int32_t zero)
{
    steps_renumber(number, zero);
    channels[number].position.count = count_minus(channels[number].position.count, zero);
}

void channels_start(void)
{
    uint8_t i;

    steps_start();
    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];
        struct channel *channel = &channels[i];

        motion_limit(&channel->motion, config->speed, config->acceleration, config->low, config->high);
        if (config->output == SERVO) { /* it knows its position; no pulse before the first target */
            renumber(i, config->low > 0 ? -config->low : config->high < 0 ? -config->high : 0);
            enter(channel, READY);
        }
    }
}

/* -- what the host asks ----------------------------------------------------------------------------------- */

bool channel_move(uint8_t number, struct position goal, int32_t velocity)
{
    struct channel *channel = &channels[number];

    if (!known(channel))
        return false;
    if (channel->state != READY || channel->next != READY)
        enter(channel, READY);
    if (!channel_configs[number].saves_current)
        set_coil_current(number, true);
    motion_follow(&channel->motion, goal, velocity);
    return true;
}

void channel_home(uint8_t number)
{
    struct channel *channel = &channels[number];

    if (channel_configs[number].homing == LAST_POSITION)
        return;
    channel->was_known = known(channel);
    enter(channel, HOMING);
    set_coil_current(number, true);
    homing_begin(number, &channel->search, &channel->motion, channel->position.count);
}

void channel_adopt(uint8_t number, int32_t position)
{
    struct channel *channel = &channels[number];
    bool settled;

    if (channel_configs[number].output == SERVO)
        return;
    channel->position = steps_position(number, &settled);
    renumber(number, count_minus(channel_position(number), position));
    enter(channel, READY);
    if (!channel_configs[number].saves_current)
        set_coil_current(number, true);
    motion_run(&channel->motion, 0);
}

void channel_rest(uint8_t number)
{
    struct channel *channel = &channels[number];

    if (known(channel))
        stop_then(channel, RESTING);
    else if (channel->state == HOMING)
        stop_then(channel, UNKNOWN);
}

void channel_watchdog(uint8_t number)
{
    struct channel *channel = &channels[number];

    if (channel->state == READY)
        stop_then(channel, HOLDING);
    else if (channel->state == HOMING)
        stop_then(channel, UNKNOWN);
}

/* -- homing ----------------------------------------------------------------------------------------------- */

static void home_at(uint8_t number, int32_t zero)
{
    struct channel *channel = &channels[number];

    channel->found_at = channel->was_known ? zero : 0;
    renumber(number, zero);
}

static void search_home(uint8_t number, const struct finding *found)
{
    struct channel *channel = &channels[number];
    uint8_t homing = channel_configs[number].homing;
    int32_t zero;

    switch (homing_tick(number, &channel->search, &channel->motion, channel->position.count, found, &zero)) {
    case SEARCHING:
        break;
    case FOUND:
        if (homing != SWEEP) /* else where it comes to rest */
            home_at(number, zero);
        stop_then(channel, READY);
        break;
    case NOT_FOUND:
        stop_then(channel, FAULT);
        event_add(FAULT_EVENT, number, homing == INDEX ? NO_INDEX_MARK : NO_STOP);
        break;
    }
}

static void stopped(uint8_t number)
{
    struct channel *channel = &channels[number];
    bool homed = channel->state == HOMING && channel->next == READY;

    enter(channel, (enum state)channel->next);
    if (channel->state == RESTING || channel->state == FAULT || channel->state == UNKNOWN)
        set_coil_current(number, false);
    if (homed) {
        if (channel_configs[number].homing == SWEEP)
            home_at(number, channel_position(number)); /* where its motor has come to rest */
        event_add(HOMED_EVENT, number, channel->found_at);
    }
}

/* -- the control tick ------------------------------------------------------------------------------------ */

static void rest_still(uint8_t number)
{
    struct channel *channel = &channels[number];

    if (channel->still_ticks < UINT16_MAX)
        channel->still_ticks++;
    if (channel->state == HOLDING && channel->still_ticks >= HOLD_TICKS) {
        enter(channel, RESTING);
        set_coil_current(number, false);
    } else if (channel->state == READY && channel->still_ticks >= IDLE_TICKS) {
        if (channel_configs[number].saves_current)
            set_coil_current(number, false);
    }
}

static void set_pulse(uint8_t number)
{
    const struct channel_config *config = &channel_configs[number];
    struct channel *channel = &channels[number];
    uint16_t half_us = (uint16_t)(channel->position.count * 2 + (channel->position.fraction >> 15));

    if (config->reversed)
        half_us = config->mirror_us * 2 - half_us;
    port_pulse(number, channel->current ? half_us : 0);
}

static void tick(uint8_t number, uint16_t slots)
{
    struct channel *channel = &channels[number];
    struct finding found = {false, false, 0, 0};
    bool settled;
    int16_t rate = 0;

    channel->position = steps_position(number, &settled);
    if (settled && channel->motion.rate == 0)
        steps_look(number);
    steps_found(number, &found);
    if (channel->state == HOMING && channel->next == HOMING) {
        search_home(number, &found);
    } else {
        if (found.mark && known(channel))
            event_add(INDEX_EVENT, number, found.mark_at);
    }
    if (found.stop)
        event_add(STOP_EVENT, number, found.stop_at);

    if (channel->wake_ticks) {
        channel->wake_ticks--;
    } else if (channel->current || motion_wants(&channel->motion, channel->position)) {
        set_coil_current(number, true);
        if (channel->wake_ticks == 0)
            rate = motion_tick(&channel->motion, channel->position, slots);
    }
    steps_rate(number, rate);
    if (rate == 0 && settled) {
        rest_still(number);
        if (channel->next != channel->state && !channel->wake_ticks && channel->still_ticks >= CALM_TICKS)
            stopped(number);
    } else {
        channel->still_ticks = 0;
    }
    if (channel_configs[number].output == SERVO)
        set_pulse(number);
}

void channels_tick(uint16_t slots)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++)
        tick(i, slots);
}

enum state channel_state(uint8_t number)
{
    return (enum state)channels[number].state;
}

int32_t channel_position(uint8_t number)
{
    const struct position *position = &channels[number].position;

    return count_plus(position->count, position->fraction >> 15);
}

int32_t channel_velocity(uint8_t number)
{
    return motion_velocity((int16_t)(channels[number].motion.rate / 256));
}
