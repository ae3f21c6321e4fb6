/* Knobs and push buttons: polled, counted, reported as events. Contacts close to ground. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdint.h>

void inputs_start(void);

/* Read all inputs; call it at least every two milliseconds. */
void inputs_read(uint16_t clock_slots);

#endif
