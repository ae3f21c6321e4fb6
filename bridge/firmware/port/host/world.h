/* A bench that is not there: motors that turn with their coils, marks, stops, knobs and buttons.
 *
 * The host port and the tests' runner of emulated boards share it. It knows the board's wiring (config.h) but
 * nothing of the firmware: a motor follows the field of its coils, whoever drives them.
 */
#ifndef WORLD_H
#define WORLD_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

struct motor {
    int32_t place;         /* steps from the home mark or stop, clockwise positive */
    int32_t made;          /* steps made since the start, those lost at a stop or on command too */
    int64_t turn, parts;   /* steps of a turn: turn / parts; 0 / 1 without marks */
    bool marks_dead, stop_dead;
    uint8_t field;         /* last direction of the coils' field, in steps; 255 before the first */
};

struct world {
    struct motor motors[CHANNELS];
    uint8_t inputs[INPUTS + 1]; /* levels */
};

void world_start(struct world *world);

/* A channel's pins now stand at these levels (bit n is pin n). For step/dir call it at every change. */
void world_pins(struct world *world, uint8_t channel, uint8_t before, uint8_t levels);

/* The level that a sensor or input puts on this pin. */
bool world_level(const struct world *world, uint8_t pin);

/* Obey one line of text; gives false when it is not understood.
 *   turn CHANNEL STEPS PARTS   its index marks stand STEPS/PARTS steps apart
 *   at CHANNEL STEPS           its pointer stands there
 *   lose CHANNEL STEPS         it stays behind by so many clockwise steps
 *   blind CHANNEL 0|1          its index sensor sees nothing (1) or works again
 *   deaf CHANNEL 0|1           so its end stop
 *   input INPUT LEVELS         levels of an encoder's two phases (A * 2 + B), or of a button; 1 is open
 */
bool world_obey(struct world *world, const char *line);

#endif
