/* Board example of the panel "one of each", an atmega328p.
 * Written by pointer-bridge firmware: change the panel description, not this file. */
#ifndef CONFIG_H
#define CONFIG_H

#define BAUD_RATE 500000
#define WATCHDOG_MS 2000
#define BOARD_ID 0x65, 0x78, 0x61, 0x6d, 0x70, 0x6c, 0x65, 0x01

#define CHANNELS 5
#define CHANNEL_CONFIGS \
    { /* 0: altimeter.hundreds; step_dir at D2, D3; index sensor at A0 */ \
        .output = STEP_DIR, .homing = INDEX, .reversed = false, .saves_current = false, \
        .speed = 2000, .acceleration = 12000, .low = INT32_MIN, .high = INT32_MAX, \
        .search = 7001, .mirror_us = 0, \
        .pins = {PIN(D, 2), PIN(D, 3), NO_PIN, NO_PIN}, \
        .index = {PIN(C, 0), false}, .stop = {NO_PIN, false}, \
    }, \
    { /* 1: airspeed.needle; four_wire at D4, D5, D6, D7; end stop at A1 */ \
        .output = FOUR_WIRE, .homing = STOP, .reversed = false, .saves_current = true, \
        .speed = 900, .acceleration = 5000, .low = -20, .high = 4000, \
        .search = 5025, .mirror_us = 0, \
        .pins = {PIN(D, 4), PIN(D, 5), PIN(D, 6), PIN(D, 7)}, \
        .index = {NO_PIN, false}, .stop = {PIN(C, 1), true}, \
    }, \
    { /* 2: vertical_speed.needle; gauge_stepper at D8, D10, D11, D12 */ \
        .output = GAUGE_STEPPER, .homing = SWEEP, .reversed = true, .saves_current = true, \
        .speed = 600, .acceleration = 6000, .low = 0, .high = 945, \
        .search = 993, .mirror_us = 0, \
        .pins = {PIN(B, 0), PIN(B, 2), PIN(B, 3), PIN(B, 4)}, \
        .index = {NO_PIN, false}, .stop = {NO_PIN, false}, \
    }, \
    { /* 3: attitude.bank; servo at D9 */ \
        .output = SERVO, .homing = LAST_POSITION, .reversed = false, .saves_current = false, \
        .speed = 800, .acceleration = 8000, .low = 1000, .high = 2000, \
        .search = 0, .mirror_us = 0, \
        .pins = {PIN(B, 1), NO_PIN, NO_PIN, NO_PIN}, \
        .index = {NO_PIN, false}, .stop = {NO_PIN, false}, \
    }, \
    { /* 4: altimeter.thousands; step_dir at D13, A2 */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .reversed = true, .saves_current = false, \
        .speed = 1000, .acceleration = 5000, .low = INT32_MIN, .high = INT32_MAX, \
        .search = 0, .mirror_us = 0, \
        .pins = {PIN(B, 5), PIN(C, 2), NO_PIN, NO_PIN}, \
        .index = {NO_PIN, false}, .stop = {NO_PIN, false}, \
    },

#define INPUTS 2
#define INPUT_CONFIGS \
    {ENCODER, {PIN(C, 3), PIN(C, 4)}}, /* 0: A3, A4 */ \
    {BUTTON, {PIN(C, 5), NO_PIN}}, /* 1: A5 */

#define LAMPS 0
#define LAMP_CONFIGS

#endif
