/* All that a port to another microcontroller must provide: eleven functions.
 *
 * In return it calls the core: `steps_plan` and `steps_make` from a timer interrupt every SLOT_US, or
 * `steps_lose_slots` for a slot that it can't serve (core/steps.h), `line_received` and `line_next` from its
 * serial interrupts (core/line.h), and from `main` `firmware_start` once, then `firmware_pass` for ever.
 */
#ifndef BOARD_PORT_H
#define BOARD_PORT_H /* PORT_H is a pin port */

#include <stdbool.h>
#include <stdint.h>

/* Pins as in config.h: outputs low, drivers disabled, sensors and inputs with pull-up; timer and serial
 * line running. Interrupts may come from now on. */
void port_start(void);

/* Keep interrupts away while data shared with them is touched; returns what `port_unlock` needs. */
uint8_t port_lock(void);
void port_unlock(uint8_t before);

/* The level at a pin. Called from the timer interrupt too. */
bool port_input(uint8_t pin);

/* One step of a step/dir driver: set the direction, wait for its set-up time, pulse. From the interrupt. */
void port_step(uint8_t channel, bool clockwise);

/* The levels of the four pins of a four-wire or gauge-stepper channel, bit n for pin n.
 * Called from the interrupt, or with interrupts locked. */
void port_coils(uint8_t channel, uint8_t levels);

/* Switch a step/dir driver on or off by its enable pin (low is on), if it has one. */
void port_enable(uint8_t channel, bool on);

/* The servo's pulse from the next period on, in half microseconds; 0 for none. */
void port_pulse(uint8_t channel, uint16_t half_us);

/* A lamp's level, 65,535 for all the light; one that is switched is on from SWITCHED_ON. Main program only. */
void port_lamp(uint8_t number, uint16_t level);

/* Bytes wait in `line_next`: start sending. */
void port_transmit(void);

/* Nothing to do until the next interrupt: sleep if you like. */
void port_idle(void);

#endif
