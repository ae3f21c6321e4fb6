#include "inputs.h"

#include "board.h"
#include "events.h"
#include "port.h"
#include "steps.h"

#define SETTLED_SLOTS 80 /* 10 ms without a change: the contact has stopped bouncing */

struct input {
    int32_t count;    /* clicks or presses since the start */
    uint16_t changed; /* slot in which the level of a button last changed */
    uint8_t levels;   /* both phases of an encoder, or a button's level: 1 is open */
    int8_t quarters;  /* of a click */
    bool pressed;
};

static struct input inputs[INPUTS + 1];

/* Quarter turns of a cycle from the old levels (high two bits) to the new: clockwise is 11, 01, 00, 10.
 * What jumps over a state is noise and counts nothing. */
static const int8_t quadrature[16] = {0, -1, 1, 0, 1, 0, 0, -1, -1, 0, 0, 1, 0, 1, -1, 0};

static uint8_t read(const struct input_config *config)
{
    if (config->kind == ENCODER)
        return (uint8_t)(port_input(config->pins[0]) << 1 | port_input(config->pins[1]));
    return port_input(config->pins[0]);
}

static void turn(uint8_t number, uint8_t levels)
{
    struct input *input = &inputs[number];

    input->quarters += quadrature[input->levels << 2 | levels];
    input->levels = levels;
    if (levels != 3) /* between two clicks */
        return;
    if (input->quarters >= 3 || input->quarters <= -3) {
        input->count += input->quarters > 0 ? 1 : -1;
        event_add(KNOB_EVENT, number, input->count);
    }
    input->quarters = 0;
}

static void press(uint8_t number, uint8_t level, uint16_t clock_slots)
{
    struct input *input = &inputs[number];

    if (level != input->levels) {
        input->levels = level;
        input->changed = clock_slots;
    } else if (input->pressed == level && (uint16_t)(clock_slots - input->changed) >= SETTLED_SLOTS) {
        input->pressed = !level;
        if (input->pressed)
            event_add(BUTTON_EVENT, number, ++input->count);
        else
            event_add(RELEASED_EVENT, number, input->count);
    }
}

void inputs_start(void)
{
    uint8_t i;

    for (i = 0; i != INPUTS; i++) {
        inputs[i].levels = read(&input_configs[i]);
        inputs[i].pressed = input_configs[i].kind == BUTTON && !inputs[i].levels;
    }
}

void inputs_read(uint16_t clock_slots)
{
    uint8_t i;

    for (i = 0; i != INPUTS; i++) {
        uint8_t levels = read(&input_configs[i]);

        if (input_configs[i].kind == BUTTON)
            press(i, levels, clock_slots);
        else if (levels != inputs[i].levels)
            turn(i, levels);
    }
}
