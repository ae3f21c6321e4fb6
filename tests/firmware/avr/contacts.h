/* Knobs and buttons: contacts that bounce. Described in mechanics.h. */
#ifndef CONTACTS_H
#define CONTACTS_H

#include <stdbool.h>

void contact_describe(int number, const char *a, const char *b);
void contacts_attach(void);
void contacts_reset(void);
void contact_turn(int number, int clicks);
void contact_press(int number);

#endif
