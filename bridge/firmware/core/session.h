/* The session with the host: frames in, answers and events out, and the watchdog. */
#ifndef SESSION_H
#define SESSION_H

#include <stdint.h>

void session_start(void);

/* Take what the line has received. */
void session_receive(void);

/* Count `slots` time slots for the watchdog. */
void session_tick(uint16_t slots);

/* Send what is due, as far as there is room. */
void session_send(void);

#endif
