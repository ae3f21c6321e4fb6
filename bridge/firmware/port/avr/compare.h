/* The compare outputs of the 16-bit timers. Their registers have the same offsets from TCCRnA in both parts. */
#ifndef COMPARE_H
#define COMPARE_H

#include <stdbool.h>
#include <stdint.h>

struct compare {
    uint8_t pin;
    volatile uint8_t *control; /* TCCRnA, the first of its timer's registers */
    uint8_t output;            /* 0 for A, 1 for B, 2 for C */
};

/* The output at this pin, NULL if there is none: the generator refuses such a pin. */
const struct compare *compare_at(uint8_t pin);

/* A 16-bit register of its timer. */
volatile uint16_t *compare_word(const struct compare *compare, uint8_t distance);

#define COMPARE_COUNT 4
#define COMPARE_TOP 6
#define COMPARE_VALUE(compare) (8 + 2 * (compare)->output)

/* Count up to `top` again and again; `clock` is the prescaler's bits. */
void compare_start(const struct compare *compare, uint16_t top, uint8_t clock);

/* Whether the timer drives the pin: high from the start of a period until the match. */
void compare_connect(const struct compare *compare, bool drives);

#endif
