/* Pins of the emulated chip, as the world outside drives and watches them. */
#ifndef PINS_H
#define PINS_H

#include <stdbool.h>

#include <sim_avr.h>

extern avr_t *avr; /* the chip */

struct pin {
    char port; /* 0 for none */
    int bit;
    avr_irq_t *irq;
};

struct pin pin_parse(const char *text); /* `B5`, or `-` for none */
void pin_find(struct pin *pin);         /* once the chip is there */
void pin_drive(const struct pin *pin, bool level);
void pin_forget(const struct pin *pin); /* after a reset */

#endif
