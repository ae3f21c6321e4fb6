#include "dimmer.h"

#include <avr/io.h>

#include "board.h"
#include "compare.h"

/* A 16-bit timer that no servo has counts 15 bits at the chip's clock, 488 times a second; timer 0 has 8 bits,
 * at clock / 64 977 times a second. Timer 2 makes the slots of the steps. Main program only: no interrupt
 * touches these registers. */
#define TOP 0x7FFF

#if defined(__AVR_ATmega2560__)
#define ZERO_A NO_PIN /* it is a 16-bit timer's too */
#define ZERO_B PIN(G, 5)
#else
#define ZERO_A PIN(D, 6)
#define ZERO_B PIN(D, 5)
#endif

void dimmer_start(uint8_t pin)
{
    const struct compare *wide = compare_at(pin);

    if (wide) {
        compare_start(wide, TOP, _BV(CS10));
    } else {
        TCCR0A |= _BV(WGM01) | _BV(WGM00); /* mode 3: fast PWM up to 255 */
        TCCR0B = _BV(CS01) | _BV(CS00);
    }
}

/* Timer 0 is high for one count more than its register has: that of the nearest of 256 shares but none. */
static uint8_t coarse(uint16_t level)
{
    uint8_t counts = (uint8_t)(level >> 8);

    return counts && !(level & 0x80) ? counts - 1 : counts;
}

bool dimmer_level(uint8_t pin, uint16_t level)
{
    const struct compare *wide = compare_at(pin);
    bool ends = level == 0 || level == UINT16_MAX;

    if (wide) {
        if (!ends)
            *compare_word(wide, COMPARE_VALUE(wide)) = level >> 1;
        compare_connect(wide, !ends);
    } else if (pin == ZERO_A) {
        if (!ends)
            OCR0A = coarse(level);
        TCCR0A = (uint8_t)((TCCR0A & ~_BV(COM0A1)) | (ends ? 0 : _BV(COM0A1)));
    } else if (pin == ZERO_B) {
        if (!ends)
            OCR0B = coarse(level);
        TCCR0A = (uint8_t)((TCCR0A & ~_BV(COM0B1)) | (ends ? 0 : _BV(COM0B1)));
    }
    return ends;
}
