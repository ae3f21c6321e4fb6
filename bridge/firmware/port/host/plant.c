#include "plant.h"

#include <stdio.h>
#include <string.h>

#define MARK_SHARE 40 /* an index mark is a fortieth of a turn wide */

void plant_start(struct plant *plant)
{
    uint8_t i;

    memset(plant, 0, sizeof *plant);
    for (i = 0; i < CHANNELS; i++) {
        plant->motors[i].parts = 1;
        plant->motors[i].field = 255;
        plant->motors[i].position = channel_configs[i].homing == LAST_POSITION ? 0 : 200;
    }
    for (i = 0; i != INPUTS; i++)
        plant->inputs[i] = input_configs[i].kind == ENCODER ? 3 : 1;
}

static void turn(struct plant *plant, uint8_t channel, int32_t steps)
{
    struct motor *motor = &plant->motors[channel];

    if (channel_configs[channel].reversed)
        steps = -steps;
    motor->made += steps;
    motor->position += steps;
    if (channel_configs[channel].homing == SWEEP && motor->position < 0)
        motor->position = 0; /* it slips at its stop */
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
    } else { /* two coils whose fields are 120 degrees apart, so six steps; (plus, 0) is 0 */
        static const int angles[3][3] = {{4, 3, -1}, {5, -1, 2}, {-1, 0, 1}};

        *cycle = 6;
        return angles[1 + sign(levels & 1, levels & 2)][1 + sign(levels & 8, levels & 4)];
    }
}

void plant_pins(struct plant *plant, uint8_t channel, uint8_t before, uint8_t levels)
{
    struct motor *motor = &plant->motors[channel];
    const struct channel_config *config = &channel_configs[channel];
    int at, cycle, steps;

    if (config->output == SERVO)
        return;
    if (config->output == STEP_DIR) {
        if (levels & ~before & 1)
            turn(plant, channel, levels & 2 ? 1 : -1);
        return;
    }
    at = field(config->output, levels, &cycle);
    if (at < 0)
        return; /* no current: it stays */
    if (motor->field != 255) {
        steps = (at - motor->field + cycle) % cycle;
        turn(plant, channel, steps > cycle / 2 ? steps - cycle : steps);
    }
    motor->field = (uint8_t)at;
}

static bool on_mark(const struct motor *motor)
{
    int64_t rest;

    if (motor->turn == 0 || motor->marks_dead)
        return false;
    rest = (int64_t)motor->position * motor->parts % motor->turn;
    if (rest < 0)
        rest += motor->turn;
    return rest < motor->turn / MARK_SHARE;
}

bool plant_level(const struct plant *plant, uint8_t pin)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];
        const struct motor *motor = &plant->motors[i];

        if (config->index.pin == pin)
            return on_mark(motor) == config->index.active_high;
        if (config->stop.pin == pin)
            return (motor->position <= 0 && !motor->stop_dead) == config->stop.active_high;
    }
    for (i = 0; i != INPUTS; i++) {
        if (input_configs[i].pins[0] == pin)
            return input_configs[i].kind == ENCODER ? plant->inputs[i] & 2 : plant->inputs[i] & 1;
        if (input_configs[i].pins[1] == pin)
            return plant->inputs[i] & 1;
    }
    return true;
}

bool plant_obey(struct plant *plant, const char *line)
{
    char word[16];
    int number;
    long a, b = 1;
    int fields = sscanf(line, "%15s %d %ld %ld", word, &number, &a, &b);
    struct motor *motor;

    if (fields < 3 || number < 0)
        return false;
    if (!strcmp(word, "input") && number < INPUTS) {
        plant->inputs[number] = (uint8_t)a;
        return true;
    }
    if (number >= CHANNELS)
        return false;
    motor = &plant->motors[number];
    if (!strcmp(word, "turn")) {
        motor->turn = a;
        motor->parts = b;
    } else if (!strcmp(word, "at")) {
        motor->position = (int32_t)a;
    } else if (!strcmp(word, "lose")) {
        motor->position -= (int32_t)a;
    } else if (!strcmp(word, "mark_dead")) {
        motor->marks_dead = a;
    } else if (!strcmp(word, "stop_dead")) {
        motor->stop_dead = a;
    } else {
        return false;
    }
    return true;
}
