#include "servo.h"

#include <avr/io.h>

#include "compare.h"
#include "port.h"

#define PERIOD_HALF_US 40000u

void servo_start(uint8_t pin)
{
    const struct compare *servo = compare_at(pin);

    if (servo)
        compare_start(servo, PERIOD_HALF_US - 1, _BV(CS11)); /* clock / 8 */
}

void servo_pulse(uint8_t pin, uint16_t half_us)
{
    const struct compare *servo = compare_at(pin);
    uint8_t lock;

    if (!servo)
        return;
    lock = port_lock();
    if (*compare_word(servo, COMPARE_COUNT) > *compare_word(servo, COMPARE_VALUE(servo)) + 8)
        compare_connect(servo, half_us != 0);
    if (half_us)
        *compare_word(servo, COMPARE_VALUE(servo)) = half_us - 1;
    port_unlock(lock);
}
