/* The plant of the host port: motors that turn with their coils, marks, stops, knobs and buttons, all simulated.
 *
 * The tests of the core share it. It knows the board's wiring (config.h) but nothing of the firmware: a motor follows
 * the field of its coils, whoever drives them.
 */
#ifndef PLANT_H
#define PLANT_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

struct motor {
    int32_t position;     /* of its pointer: steps from the home mark or stop, clockwise positive */
    int32_t made;         /* steps made since the start, also those lost at a stop or by `lose` */
    int64_t turn, parts;  /* steps between index marks: turn / parts; 0 / 1 without marks */
    bool marks_dead;      /* its index sensor sees nothing */
    bool stop_dead;       /* its end stop never closes */
    uint8_t field;        /* last direction of the coils' field, in steps; 255 before the first */
};

struct plant {
    struct motor motors[CHANNELS];
    uint8_t inputs[INPUTS + 1]; /* levels */
};

void plant_start(struct plant *plant);

/* A channel's pins go from one set of levels to another (bit n is pin n). For step/dir call it at every change. */
void plant_pins(struct plant *plant, uint8_t channel, uint8_t before, uint8_t levels);

/* The level that a sensor or input puts on this pin. */
bool plant_level(const struct plant *plant, uint8_t pin);

/* Obey one line of text; returns false when it is not understood.
 *   turn CHANNEL STEPS PARTS   its index marks are STEPS/PARTS steps apart
 *   at CHANNEL STEPS           its pointer is there
 *   lose CHANNEL STEPS         it stays behind by so many clockwise steps
 *   mark_dead CHANNEL 0|1      its index sensor sees nothing (1) or works again
 *   stop_dead CHANNEL 0|1      so its end stop
 *   input INPUT LEVELS         levels of an encoder's two phases (A * 2 + B), or of a button; 1 is open
 */
bool plant_obey(struct plant *plant, const char *line);

#endif
