/* What boards and host must know alike. Written by python -m bridge.firmware.contract; what a
 * number means is in bridge/boards/messages.py, behaviour.py, homing.py: change it there. */
#ifndef CONTRACT_H
#define CONTRACT_H

#define FRAME_VERSION 2
#define FRAME_LONGEST 250 /* bytes of payload */
#define LATE_GAP 128 /* sequences */
#define FIRMWARE_MAJOR 2
#define FIRMWARE_MINOR 3

#define MOST_CHANNELS 12
#define MOST_LAMPS 16
#define FASTEST_STEPS_S 3900
#define CARRY_MS 100
#define HOLD_MS 10000
#define CATCH_UP_DIVISOR 4
#define SWITCHED_ON 32768 /* of 65,536 */
#define HOMING_DIVISOR 4

enum frame_type {
    IDENTIFY = 0x01,
    MOVE = 0x02,
    HOME = 0x03,
    ADOPT = 0x04,
    REST = 0x05,
    QUERY = 0x06,
    LIGHT = 0x07,
    INQUIRE = 0x08,
    INTRODUCTION = 0x81,
    STATUS = 0x82,
    EVENT = 0x83,
    REFUSAL = 0x84,
    CAPABILITIES = 0x85
};

enum refusal {
    ACCEPTED = 0,
    VERSION_NOT_SPOKEN = 1,
    UNKNOWN_TYPE = 2,
    WRONG_LENGTH = 3,
    NO_SUCH_CHANNEL = 4,
    POSITION_NOT_KNOWN = 5
};

enum output {
    STEP_DIR = 0,
    FOUR_WIRE = 1,
    GAUGE_STEPPER = 2,
    SERVO = 3
};

enum homing {
    LAST_POSITION = 0,
    INDEX = 1,
    STOP = 2,
    SWEEP = 3
};

enum lamp_output {
    SWITCHED = 0,
    DIMMED = 1
};

enum state {
    UNKNOWN = 0,
    HOMING = 1,
    READY = 2,
    HOLDING = 3,
    RESTING = 4,
    FAULT = 5
};

enum event_kind {
    INDEX_EVENT = 1,
    STOP_EVENT = 2,
    HOMED_EVENT = 3,
    KNOB_EVENT = 4,
    BUTTON_EVENT = 5,
    FAULT_EVENT = 6,
    WATCHDOG_EVENT = 7,
    RELEASED_EVENT = 8
};

enum fault {
    NO_INDEX_MARK = 1,
    NO_STOP = 2
};

#endif
