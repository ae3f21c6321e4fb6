/* The firmware as the port's `main` sees it. */
#ifndef FIRMWARE_H
#define FIRMWARE_H

/* Call once after `port_start`. */
void firmware_start(void);

/* Call for ever; never blocks. */
void firmware_pass(void);

#endif
