/* Lamps: levels that fade evenly to where the host sends them, and to a stated one when no host is heard. */
#ifndef LAMPS_H
#define LAMPS_H

#include <stdint.h>

/* All lamps at the level that they have without a host. */
void lamps_start(void);

/* Reach this level (65,535 is all the light) evenly in so many milliseconds. */
void lamp_light(uint8_t number, uint16_t level, uint16_t fade_ms);

/* Advance all fades by the slots since the last call. */
void lamps_tick(uint16_t slots);

/* No host is heard any more. */
void lamps_watchdog(void);

#endif
