#include "steps.h"

#include "port.h"

struct track {
    uint16_t phase;  /* 1/65536 step; 32768 on the whole step, wraps halfway between two */
    int16_t rate;    /* 1/65536 step a slot */
    int32_t planned; /* steps */
    int32_t made;    /* steps at the pins */
    uint8_t coils;   /* state of the coils, counted in steps modulo 24 (whole cycles of 6 and of 8) */
    bool moves_pins; /* not a servo */
    bool current;    /* on the coils */
    bool clockwise;  /* direction of the last step */
    bool on_mark, on_stop; /* what the sensors showed last */
    struct finding finding;
};

/* Half steps of a four-wire motor: one coil, two neighbours, and so on. */
static const uint8_t half_steps[8] = {0x1, 0x3, 0x2, 0x6, 0x4, 0xC, 0x8, 0x9};

/* A gauge stepper's six states: pins 1 and 2 lead to one coil's ends, 3 and 4 to the other's, and pins 2 and 3
 * go together. With the three levels L1, L23, L4 the coils see L1-L23 and L4-L23; stepping these levels as in
 * any three-phase motor (101, 001, 011, 010, 110, 100) turns the field by 60 degrees each time
 * (common practice, from memory). */
static const uint8_t six_states[6] = {0x9, 0x8, 0xE, 0x6, 0x7, 0x1};

static struct track tracks[CHANNELS];
static uint16_t clock_slots, slots_lost;
static uint8_t unfed_slots; /* since a rate was last set */

/* When in a slot a distance is covered, in 1/256 of it: 256 * distance / rate for 0 < distance <= rate, at most 255. */
static uint8_t offset_in_slot(uint16_t distance, uint16_t rate)
{
    uint8_t quotient = 0, bit;

    if (distance >= rate)
        return 255;
    for (bit = 0; bit < 8; bit++) {
        quotient = (uint8_t)(quotient << 1);
        distance = (uint16_t)(distance << 1); /* below 65536: distance stays below rate, and rate below 32768 */
        if (distance >= rate) {
            distance -= rate;
            quotient |= 1;
        }
    }
    return quotient;
}

static void halt_all(void)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++)
        tracks[i].rate = 0;
}

uint8_t steps_plan(struct step steps[CHANNELS])
{
    struct track *track = tracks;
    uint8_t count = 0, channel, i;

    clock_slots++;
    if (unfed_slots < ALIVE_SLOTS) {
        unfed_slots++;
    } else {
        halt_all();
        slots_lost++;
    }
    for (channel = 0; channel < CHANNELS; channel++, track++) {
        int16_t rate = track->rate;
        uint16_t before = track->phase, after;
        struct step step;

        if (rate == 0)
            continue;
        after = before + (uint16_t)rate;
        track->phase = after;
        if (rate > 0) {
            if (after >= before)
                continue;
            track->planned = count_plus(track->planned, 1);
            step.clockwise = true;
            step.at = offset_in_slot((uint16_t)-before, (uint16_t)rate);
        } else {
            if (after <= before)
                continue;
            track->planned = count_minus(track->planned, 1);
            step.clockwise = false;
            step.at = offset_in_slot(before, (uint16_t)-rate);
        }
        if (!track->moves_pins) {
            track->made = track->planned;
            continue;
        }
        step.channel = channel;
        for (i = count++; i > 0 && steps[i - 1].at > step.at; i--)
            steps[i] = steps[i - 1];
        steps[i] = step;
    }
    return count;
}

/* Read the sensors as they are after the last step: the motor had a whole step's time to get there. */
static void look(struct track *track, const struct channel_config *config)
{
    if (config->index.pin != NO_PIN) {
        bool on = port_input(config->index.pin) == config->index.active_high;

        if (on != track->on_mark) {
            track->on_mark = on;
            if (on == track->clockwise) { /* always the same edge: entering clockwise, leaving back */
                track->finding.mark = true;
                track->finding.mark_at = count_plus(track->made, !on);
            }
        }
    }
    if (config->stop.pin != NO_PIN) {
        bool on = port_input(config->stop.pin) == config->stop.active_high;

        if (on && !track->on_stop && !track->clockwise) {
            track->finding.stop = true;
            track->finding.stop_at = track->made;
        }
        track->on_stop = on;
    }
}

static void show_coils(uint8_t channel)
{
    const struct track *track = &tracks[channel];
    uint8_t levels = 0;

    if (track->current)
        levels = channel_configs[channel].output == FOUR_WIRE ? half_steps[track->coils & 7]
                                                              : six_states[track->coils % 6];
    port_coils(channel, levels);
}

void steps_make(const struct step *step)
{
    uint8_t channel = step->channel;
    struct track *track = &tracks[channel];
    const struct channel_config *config = &channel_configs[channel];
    bool forward = step->clockwise != config->reversed;

    look(track, config);
    track->clockwise = step->clockwise;
    track->made = count_plus(track->made, step->clockwise ? 1 : -1);
    if (config->output == STEP_DIR) {
        port_step(channel, forward);
        return;
    }
    if (forward)
        track->coils = track->coils == 23 ? 0 : track->coils + 1;
    else
        track->coils = track->coils == 0 ? 23 : track->coils - 1;
    show_coils(channel);
}

void steps_start(void)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++) {
        tracks[i].phase = 32768;
        tracks[i].moves_pins = channel_configs[i].output != SERVO;
        look(&tracks[i], &channel_configs[i]);
        tracks[i].finding.mark = tracks[i].finding.stop = false;
    }
}

uint16_t steps_clock(void)
{
    uint8_t lock = port_lock();
    uint16_t slots = clock_slots;

    port_unlock(lock);
    return slots;
}

void steps_lose_slots(uint16_t slots)
{
    slots_lost += slots;
}

uint16_t steps_slots_lost(void)
{
    uint8_t lock = port_lock();
    uint16_t slots = slots_lost;

    port_unlock(lock);
    return slots;
}

struct position steps_position(uint8_t channel, bool *settled)
{
    const struct track *track = &tracks[channel];
    struct position position;
    uint8_t lock = port_lock();
    uint16_t phase = track->phase;

    position.count = track->planned;
    *settled = track->made == track->planned;
    port_unlock(lock);
    position.fraction = phase ^ 0x8000;
    if (phase < 0x8000)
        position.count = count_minus(position.count, 1);
    return position;
}

void steps_rate(uint8_t channel, int16_t rate)
{
    uint8_t lock = port_lock();

    tracks[channel].rate = rate;
    unfed_slots = 0;
    port_unlock(lock);
}

void steps_look(uint8_t channel)
{
    uint8_t lock = port_lock();

    look(&tracks[channel], &channel_configs[channel]);
    port_unlock(lock);
}

void steps_found(uint8_t channel, struct finding *found)
{
    struct finding *finding = &tracks[channel].finding;
    uint8_t lock;

    if (!finding->mark && !finding->stop)
        return;
    lock = port_lock();
    *found = *finding;
    finding->mark = finding->stop = false;
    port_unlock(lock);
}

bool steps_stop_closed(uint8_t channel)
{
    return tracks[channel].on_stop;
}

void steps_renumber(uint8_t channel, int32_t zero)
{
    struct track *track = &tracks[channel];
    uint8_t lock = port_lock();

    track->planned = count_minus(track->planned, zero);
    track->made = count_minus(track->made, zero);
    port_unlock(lock);
}

void steps_current(uint8_t channel, bool on)
{
    uint8_t lock = port_lock();

    tracks[channel].current = on;
    if (channel_configs[channel].output == STEP_DIR)
        port_enable(channel, on);
    else if (channel_configs[channel].output != SERVO)
        show_coils(channel);
    port_unlock(lock);
}
