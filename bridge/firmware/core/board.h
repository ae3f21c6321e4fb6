/* What one board is: the channels and inputs of config.h, as the core reads them. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "contract.h"

/* A pin is a number that only the port understands; PIN(D, 4) is bit 4 of port D. */
enum { BANK_A, BANK_B, BANK_C, BANK_D, BANK_E, BANK_F, BANK_G, BANK_H, BANK_I, BANK_J, BANK_K, BANK_L };
#define PIN(port, bit) ((uint8_t)(BANK_##port << 3 | (bit)))
#define NO_PIN 255

struct sensor {
    uint8_t pin;      /* NO_PIN if there is none */
    bool active_high; /* the level that means 'here' */
};

/* `reversed`: driven forward (coils in the order of their pins, direction pin high, longer pulse) the motor turns
 * the pointer counter-clockwise. A rising position is clockwise on the face either way.
 * (The same words in bridge/panel/hardware.py.) */
struct channel_config {
    uint8_t output;     /* enum output */
    uint8_t homing;     /* enum homing */
    bool reversed;
    bool saves_current; /* the drive holds its place without current: coils off while the pointer is still */
    uint16_t speed;     /* steps/s, at most FASTEST_STEPS_S */
    uint32_t acceleration; /* steps/s^2, at most 200000 */
    int32_t low, high;     /* stops in steps, INT32_MIN and INT32_MAX for an endless pointer */
    int32_t search;        /* the longest search for the home position, in steps */
    uint16_t mirror_us;    /* reversed servo: shortest plus longest pulse, in microseconds */
    uint8_t pins[4];       /* step, direction, enable; or four coils; or the servo's signal */
    struct sensor index, stop;
};

enum input_kind { ENCODER, BUTTON };

struct input_config {
    uint8_t kind; /* enum input_kind */
    uint8_t pins[2];
};

/* Switched or dimmed by its pin, which drives it high. */
struct lamp_config {
    uint8_t output;     /* enum lamp_output */
    uint8_t pin;
    uint16_t when_lost; /* its level while no host is heard */
};

#include "config.h"

#if CHANNELS > MOST_CHANNELS
#error "more channels than a mask of the frame format holds"
#endif
#if LAMPS > MOST_LAMPS
#error "more lamps than a mask of the frame format holds"
#endif

extern const struct channel_config channel_configs[CHANNELS];
extern const struct input_config input_configs[INPUTS + 1]; /* one more, for C has no empty array */
extern const struct lamp_config lamp_configs[LAMPS + 1];
extern const uint8_t board_id[8];

#endif
