#include "board.h"

const struct channel_config channel_configs[CHANNELS] = {CHANNEL_CONFIGS};
const struct input_config input_configs[INPUTS + 1] = {INPUT_CONFIGS{BUTTON, {NO_PIN, NO_PIN}}};
const struct lamp_config lamp_configs[LAMPS + 1] = {LAMP_CONFIGS{SWITCHED, NO_PIN, 0}};
const uint8_t board_id[8] = {BOARD_ID};
