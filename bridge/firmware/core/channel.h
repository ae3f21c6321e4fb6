/* One channel: known or unknown position, homing, index audit, rest.
 *
 *   UNKNOWN --HOME--> HOMING --found--> READY --watchdog--> HOLDING --10 s--> RESTING
 *      ^                |  \--not found--> FAULT               |                 |
 *      |             watchdog                                  +----- MOVE ------+--> READY
 *      +----------------+          ADOPT: any --> READY        REST: known --> RESTING
 */
#ifndef CHANNEL_H
#define CHANNEL_H

#include <stdbool.h>
#include <stdint.h>

#include "contract.h"
#include "steps.h"

void channels_start(void);

/* Advance all channels by `slots` time slots. */
void channels_tick(uint16_t slots);

/* Take a target, which moves at `velocity` (1/256 step/s); false, and nothing happens, while the position is not
 * known. */
bool channel_move(uint8_t channel, struct position goal, int32_t velocity);
void channel_home(uint8_t channel);
void channel_adopt(uint8_t channel, int32_t position); /* steps */
void channel_rest(uint8_t channel);

/* The host is gone: stop and hold, or give up homing. */
void channel_watchdog(uint8_t channel);

enum state channel_state(uint8_t channel);
int32_t channel_position(uint8_t channel); /* steps */
int32_t channel_velocity(uint8_t channel); /* 1/256 step/s */

#endif
