#include "servo.h"

#include <avr/io.h>
#include <stddef.h>

#include "board.h"
#include "port.h"

#define PERIOD_HALF_US 40000u

struct servo {
    uint8_t pin;
    volatile uint8_t *control; /* TCCRnA, the first of its timer's registers */
    uint8_t output;            /* 0 for A, 1 for B, 2 for C */
};

/* The same table is in bridge/hardware/microcontrollers.py. */
static const struct servo servos[] = {
#if defined(__AVR_ATmega2560__)
    {PIN(B, 5), &TCCR1A, 0}, {PIN(B, 6), &TCCR1A, 1}, {PIN(B, 7), &TCCR1A, 2},
    {PIN(E, 3), &TCCR3A, 0}, {PIN(E, 4), &TCCR3A, 1}, {PIN(E, 5), &TCCR3A, 2},
    {PIN(H, 3), &TCCR4A, 0}, {PIN(H, 4), &TCCR4A, 1}, {PIN(H, 5), &TCCR4A, 2},
    {PIN(L, 3), &TCCR5A, 0}, {PIN(L, 4), &TCCR5A, 1}, {PIN(L, 5), &TCCR5A, 2},
#else
    {PIN(B, 1), &TCCR1A, 0}, {PIN(B, 2), &TCCR1A, 1},
#endif
};

/* The 16-bit timers' registers have the same offsets from TCCRnA in both parts. */
static volatile uint16_t *word(const struct servo *servo, uint8_t distance)
{
    return (volatile uint16_t *)(servo->control + distance);
}

#define COUNT 4
#define TOP 6
#define COMPARE(output) (8 + 2 * (output))

static const struct servo *find(uint8_t pin)
{
    uint8_t i;

    for (i = 0; i < sizeof servos / sizeof servos[0]; i++)
        if (servos[i].pin == pin)
            return &servos[i];
    return NULL; /* the generator refuses such a pin */
}

void servo_start(uint8_t pin)
{
    const struct servo *servo = find(pin);

    if (!servo)
        return;
    *word(servo, TOP) = PERIOD_HALF_US - 1;
    servo->control[0] |= _BV(WGM11);                          /* mode 14: fast PWM up to ICRn */
    servo->control[1] = _BV(WGM13) | _BV(WGM12) | _BV(CS11);  /* clock / 8 */
}

void servo_pulse(uint8_t pin, uint16_t half_us)
{
    const struct servo *servo = find(pin);
    uint8_t connect, lock;

    if (!servo)
        return;
    connect = (uint8_t)(0x80 >> 2 * servo->output); /* COMnx1: clear at the match, set at the start */
    lock = port_lock();
    if (*word(servo, COUNT) > *word(servo, COMPARE(servo->output)) + 8) {
        if (half_us)
            servo->control[0] |= connect;
        else
            servo->control[0] &= (uint8_t)~connect;
    }
    if (half_us)
        *word(servo, COMPARE(servo->output)) = half_us - 1;
    port_unlock(lock);
}
