/* Channels of very different limits, all of known position once adopted: for tests/firmware/test_limits.py,
 * which reads these numbers off the board's introduction. */
#ifndef CONFIG_H
#define CONFIG_H

#define BAUD_RATE 500000
#define WATCHDOG_MS 10000
#define BOARD_ID 0x6c, 0x69, 0x6d, 0x69, 0x74, 0x73, 0x00, 0x01

#define NO_SENSORS .index = {NO_PIN, false}, .stop = {NO_PIN, false}

#define CHANNELS 8
#define CHANNEL_CONFIGS \
    { /* 0: the fastest that a board can do */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .speed = 3900, .acceleration = 200000, \
        .low = INT32_MIN, .high = INT32_MAX, .pins = {0, 1, 2, NO_PIN}, NO_SENSORS, \
    }, \
    { /* 1 */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .speed = 2000, .acceleration = 12000, \
        .low = INT32_MIN, .high = INT32_MAX, .pins = {3, 4, NO_PIN, NO_PIN}, NO_SENSORS, \
    }, \
    { /* 2: coils off while it is still */ \
        .output = FOUR_WIRE, .homing = LAST_POSITION, .saves_current = true, .speed = 900, \
        .acceleration = 5000, .low = -20, .high = 4000, .pins = {5, 6, 7, 8}, NO_SENSORS, \
    }, \
    { /* 3 */ \
        .output = GAUGE_STEPPER, .homing = LAST_POSITION, .speed = 600, .acceleration = 6000, \
        .low = 0, .high = 945, .pins = {9, 10, 11, 12}, NO_SENSORS, \
    }, \
    { /* 4: a second to its speed, but stops that come much earlier */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .speed = 3000, .acceleration = 3000, \
        .low = -100, .high = 100, .pins = {13, 14, NO_PIN, NO_PIN}, NO_SENSORS, \
    }, \
    { /* 5: as slow as needles get */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .speed = 10, .acceleration = 40, \
        .low = INT32_MIN, .high = INT32_MAX, .pins = {15, 16, NO_PIN, NO_PIN}, NO_SENSORS, \
    }, \
    { /* 6 */ \
        .output = SERVO, .homing = LAST_POSITION, .speed = 800, .acceleration = 8000, \
        .low = 1000, .high = 2000, .pins = {17, NO_PIN, NO_PIN, NO_PIN}, NO_SENSORS, \
    }, \
    { /* 7: to its speed in five steps; driver off while it is still */ \
        .output = STEP_DIR, .homing = LAST_POSITION, .reversed = true, .saves_current = true, \
        .speed = 500, .acceleration = 50000, .low = INT32_MIN, .high = INT32_MAX, .pins = {18, 19, 20, NO_PIN}, NO_SENSORS, \
    },

#define INPUTS 0
#define INPUT_CONFIGS

#define LAMPS 0
#define LAMP_CONFIGS

#endif
