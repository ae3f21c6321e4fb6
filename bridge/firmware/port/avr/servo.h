/* Servo pulses from the 16-bit timers: 20 ms apart, in steps of half a microsecond, without jitter. */
#ifndef SERVO_H
#define SERVO_H

#include <stdint.h>

void servo_start(uint8_t pin);

/* The pulse from the next period on, in half microseconds; 0 for none. Call it every few milliseconds: a pulse
 * under way is never cut, so switching on or off may have to wait for the next call. */
void servo_pulse(uint8_t pin, uint16_t half_us);

#endif
