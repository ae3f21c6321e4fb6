/* Dimmed lamps: pulses of a hardware timer, which nothing makes flicker and which take no time of the steps. */
#ifndef DIMMER_H
#define DIMMER_H

#include <stdbool.h>
#include <stdint.h>

void dimmer_start(uint8_t pin);

/* From the next period on the pin is high for this share of 65,536. At 0 and at 65,535 the timer lets go of the pin,
 * which has its port's level then; returns whether it has. */
bool dimmer_level(uint8_t pin, uint16_t level);

#endif
