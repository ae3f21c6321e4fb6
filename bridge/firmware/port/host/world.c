#include "world.h"

#include <stdio.h>
#include <string.h>

#define MARK_SHARE 40 /* an index mark is a fortieth of a turn wide */

void world_start(struct world *world)
{
    uint8_t i;

    memset(world, 0, sizeof *world);
    for (i = 0; i < CHANNELS; i++) {
        world->motors[i].parts = 1;
        world->motors[i].field = 255;
        world->motors[i].place = channel_configs[i].homing == LAST_POSITION ? 0 : 200;
    }
    for (i = 0; i != INPUTS; i++)
        world->inputs[i] = input_configs[i].kind == ENCODER ? 3 : 1;
}

static void turn(struct world *world, uint8_t channel, int32_t steps)
{
    struct motor *motor = &world->motors[channel];

    if (channel_configs[channel].reversed)
        steps = -steps;
    motor->made += steps;
    motor->place += steps;
    if (channel_configs[channel].homing == SWEEP && motor->place < 0)
        motor->place = 0; /* it slips at its stop */
}

static int sign(uint8_t plus, uint8_t minus)
{
    return (plus != 0) - (minus != 0);
}

/* The direction of the field in steps of a cycle of `*cycle`, or -1 when there is none. */
static int field(uint8_t output, uint8_t levels, int *cycle)
{
    if (output == FOUR_WIRE) { /* coils at 0, 90, 180 and 270 degrees, so eight half steps */
        static const int angles[3][3] = {{5, 4, 3}, {6, -1, 2}, {7, 0, 1}};

        *cycle = 8;
        return angles[1 + sign(levels & 1, levels & 4)][1 + sign(levels & 2, levels & 8)];
    } else { /* two coils whose fields stand 120 degrees apart, so six steps; (plus, 0) is 0 */
        static const int angles[3][3] = {{4, 3, -1}, {5, -1, 2}, {-1, 0, 1}};

        *cycle = 6;
        return angles[1 + sign(levels & 1, levels & 2)][1 + sign(levels & 8, levels & 4)];
    }
}

void world_pins(struct world *world, uint8_t channel, uint8_t before, uint8_t levels)
{
    struct motor *motor = &world->motors[channel];
    const struct channel_config *config = &channel_configs[channel];
    int at, cycle, steps;

    if (config->output == SERVO)
        return;
    if (config->output == STEP_DIR) {
        if (levels & ~before & 1)
            turn(world, channel, levels & 2 ? 1 : -1);
        return;
    }
    at = field(config->output, levels, &cycle);
    if (at < 0)
        return; /* no current: it stays */
    if (motor->field != 255) {
        steps = (at - motor->field + cycle) % cycle;
        turn(world, channel, steps > cycle / 2 ? steps - cycle : steps);
    }
    motor->field = (uint8_t)at;
}

static bool on_mark(const struct motor *motor)
{
    int64_t rest;

    if (motor->turn == 0 || motor->marks_dead)
        return false;
    rest = (int64_t)motor->place * motor->parts % motor->turn;
    if (rest < 0)
        rest += motor->turn;
    return rest < motor->turn / MARK_SHARE;
}

bool world_level(const struct world *world, uint8_t pin)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];
        const struct motor *motor = &world->motors[i];

        if (config->index.pin == pin)
            return on_mark(motor) == config->index.active_high;
        if (config->stop.pin == pin)
            return (motor->place <= 0 && !motor->stop_dead) == config->stop.active_high;
    }
    for (i = 0; i != INPUTS; i++) {
        if (input_configs[i].pins[0] == pin)
            return input_configs[i].kind == ENCODER ? world->inputs[i] & 2 : world->inputs[i] & 1;
        if (input_configs[i].pins[1] == pin)
            return world->inputs[i] & 1;
    }
    return true;
}

bool world_obey(struct world *world, const char *line)
{
    char word[16];
    int number;
    long a, b = 1;
    int fields = sscanf(line, "%15s %d %ld %ld", word, &number, &a, &b);
    struct motor *motor;

    if (fields < 3 || number < 0)
        return false;
    if (!strcmp(word, "input") && number < INPUTS) {
        world->inputs[number] = (uint8_t)a;
        return true;
    }
    if (number >= CHANNELS)
        return false;
    motor = &world->motors[number];
    if (!strcmp(word, "turn")) {
        motor->turn = a;
        motor->parts = b;
    } else if (!strcmp(word, "at")) {
        motor->place = (int32_t)a;
    } else if (!strcmp(word, "lose")) {
        motor->place -= (int32_t)a;
    } else if (!strcmp(word, "blind")) {
        motor->marks_dead = a;
    } else if (!strcmp(word, "deaf")) {
        motor->stop_dead = a;
    } else {
        return false;
    }
    return true;
}
