/* The time slots of core/steps.h, from timer 2. */
#ifndef SLOTS_H
#define SLOTS_H

/* Start the timer; its interrupts come once they are allowed. */
void slots_start(void);

#endif
