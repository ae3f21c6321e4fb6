#include "compare.h"

#include <avr/io.h>
#include <stddef.h>

#include "board.h"

/* The same table is in bridge/hardware/microcontrollers.py. */
static const struct compare outputs[] = {
#if defined(__AVR_ATmega2560__)
    {PIN(B, 5), &TCCR1A, 0}, {PIN(B, 6), &TCCR1A, 1}, {PIN(B, 7), &TCCR1A, 2},
    {PIN(E, 3), &TCCR3A, 0}, {PIN(E, 4), &TCCR3A, 1}, {PIN(E, 5), &TCCR3A, 2},
    {PIN(H, 3), &TCCR4A, 0}, {PIN(H, 4), &TCCR4A, 1}, {PIN(H, 5), &TCCR4A, 2},
    {PIN(L, 3), &TCCR5A, 0}, {PIN(L, 4), &TCCR5A, 1}, {PIN(L, 5), &TCCR5A, 2},
#else
    {PIN(B, 1), &TCCR1A, 0}, {PIN(B, 2), &TCCR1A, 1},
#endif
};

const struct compare *compare_at(uint8_t pin)
{
    uint8_t i;

    for (i = 0; i < sizeof outputs / sizeof outputs[0]; i++)
        if (outputs[i].pin == pin)
            return &outputs[i];
    return NULL;
}

volatile uint16_t *compare_word(const struct compare *compare, uint8_t distance)
{
    return (volatile uint16_t *)(compare->control + distance);
}

void compare_start(const struct compare *compare, uint16_t top, uint8_t clock)
{
    *compare_word(compare, COMPARE_TOP) = top;
    compare->control[0] |= _BV(WGM11); /* mode 14: fast PWM up to ICRn */
    compare->control[1] = (uint8_t)(_BV(WGM13) | _BV(WGM12) | clock);
}

void compare_connect(const struct compare *compare, bool drives)
{
    uint8_t bit = (uint8_t)(0x80 >> 2 * compare->output); /* COMnx1: clear at the match, set at the start */

    if (drives)
        compare->control[0] |= bit;
    else
        compare->control[0] &= (uint8_t)~bit;
}
