/* What hangs on the pins of the emulated board: motors with their pointers, sensors, a knob, a button.
 *
 * It knows nothing of the firmware. A motor turns by what a coil's field does, a step/dir driver by the edges
 * at its pins, a servo by the width of its pulse; marks and stops are where the pointer is. So a count
 * taken here is a second opinion on the firmware's own.
 *
 * Described by lines of words (numbers are steps; pins are port and bit, `B5`; `-` for none):
 *     rotor N step_dir STEP DIR ENABLE|-     or   rotor N four_wire P P P P   or   rotor N gauge_stepper P P P P
 *     servo N PIN
 *     lamp N PIN            lit while its pin is high
 *     at N PLACE            where the pointer is at power-on (0)
 *     reversed N            the motor turns the pointer the other way
 *     ends N LOW HIGH       stops of the drive, past which the pointer can't go (none)
 *     index N PIN high|low TURN_NUMERATOR TURN_DENOMINATOR WIDTH
 *     stop N PIN high|low   closed at places up to 0
 *     knob N A B            both high at rest; clockwise, A goes low first
 *     button N PIN          low while pressed
 */
#ifndef MECHANICS_H
#define MECHANICS_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include <sim_avr.h>

#define CHANNELS 16
#define US 16 /* cycles */

/* The log: records of eight bytes, `cycle << 16 | kind << 8 | value`, little-endian. */
enum {
    LOG_STEP = 0x00,  /* + channel; value: 1 if the motor's field went forward */
    LOG_PULSE = 0x20, /* + channel; value: the level at a servo's or a lamp's pin */
    LOG_RECEIVED = 0xF0, /* a byte came in whole over the serial line */
    LOG_SENT = 0xF1,     /* a byte was handed to the transmitter */
};

void log_to(FILE *file);
void log_event(uint64_t cycle, int kind, int value);

/* Cycles since the emulator started; goes on over a reset. */
uint64_t now(void);

bool mechanics_line(char *line);   /* false when it makes no sense */
void mechanics_attach(avr_t *avr); /* once */
void mechanics_reset(void);        /* after every reset of the chip, the first included */
bool mechanics_command(const char *line); /* false when it makes no sense */
void mechanics_print(FILE *out);   /* one JSON array of channels */

#endif
