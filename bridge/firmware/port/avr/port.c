/* Port to the ATmega328P and the ATmega2560, without an operating system, 16 MHz: pins, the serial line, `main`.
 *
 * Timer 2 makes the steps (slots.c). The 16-bit timers make servo pulses (servo.c), they and timer 0 those of dimmed
 * lamps (dimmer.c), by themselves. USART 0 is the host's line.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/delay.h>

#define BAUD BAUD_RATE
#include "board.h"
#define BAUD_TOL 3
#include <util/setbaud.h>

#include "dimmer.h"
#include "firmware.h"
#include "line.h"
#include "port.h"
#include "servo.h"
#include "slots.h"

#define STEP_PULSE_US 3 /* step/dir drivers want 1 to 2.5 us (data sheets, from memory) */
#define DIRECTION_SETUP_US 5

/* The PIN register of each port; DDR and PORT follow it. */
static volatile uint8_t *const registers[] = {
#if defined(__AVR_ATmega2560__)
    &PINA, &PINB, &PINC, &PIND, &PINE, &PINF, &PING, &PINH, 0, &PINJ, &PINK, &PINL
#elif defined(__AVR_ATmega328P__)
    0, &PINB, &PINC, &PIND
#else
#error "Add this part's port registers here, its compare outputs to compare.c, and both to bridge/hardware/microcontrollers.py"
#endif
};

struct wire {
    volatile uint8_t *port;
    uint8_t mask;
};

static struct wire wires[CHANNELS][4];
static struct wire lamp_wires[LAMPS + 1];

static void output(uint8_t pin, struct wire *wire)
{
    volatile uint8_t *base;

    if (pin == NO_PIN)
        return;
    base = registers[pin >> 3];
    wire->mask = (uint8_t)(1 << (pin & 7));
    wire->port = base + 2;
    base[2] &= (uint8_t)~wire->mask;
    base[1] |= wire->mask;
}

static void input(uint8_t pin)
{
    if (pin != NO_PIN)
        registers[pin >> 3][2] |= (uint8_t)(1 << (pin & 7)); /* pull-up */
}

static void drive(const struct wire *wire, bool level)
{
    if (!wire->mask)
        return;
    if (level)
        *wire->port |= wire->mask;
    else
        *wire->port &= (uint8_t)~wire->mask;
}

void port_start(void)
{
    uint8_t i, pin;

    MCUSR = 0;
    wdt_disable();
    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];

        for (pin = 0; pin < 4; pin++)
            output(config->pins[pin], &wires[i][pin]);
        if (config->output == STEP_DIR)
            port_enable(i, false);
        if (config->output == SERVO)
            servo_start(config->pins[0]);
        input(config->index.pin);
        input(config->stop.pin);
    }
    for (i = 0; i != LAMPS; i++) {
        output(lamp_configs[i].pin, &lamp_wires[i]);
        if (lamp_configs[i].output == DIMMED)
            dimmer_start(lamp_configs[i].pin);
    }
    for (i = 0; i != INPUTS; i++)
        for (pin = 0; pin < 2; pin++)
            input(input_configs[i].pins[pin]);

    UBRR0 = UBRR_VALUE;
#if USE_2X
    UCSR0A = _BV(U2X0);
#endif
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    slots_start();
    set_sleep_mode(SLEEP_MODE_IDLE);
    _delay_us(100); /* pull-ups charge their lines before anyone looks */
    sei();
}

uint8_t port_lock(void)
{
    uint8_t before = SREG;

    cli();
    return before;
}

void port_unlock(uint8_t before)
{
    __asm__ volatile("" ::: "memory"); /* what was written under the lock is there before it opens */
    SREG = before;
}

bool port_input(uint8_t pin)
{
    return *registers[pin >> 3] & (uint8_t)(1 << (pin & 7));
}

void port_step(uint8_t channel, bool clockwise)
{
    const struct wire *wire = wires[channel];
    bool direction = wire[1].port && (*wire[1].port & wire[1].mask);

    if (direction != clockwise) {
        drive(&wire[1], clockwise);
        _delay_us(DIRECTION_SETUP_US);
    }
    drive(&wire[0], true);
    _delay_us(STEP_PULSE_US);
    drive(&wire[0], false);
}

void port_coils(uint8_t channel, uint8_t levels)
{
    uint8_t pin;

    for (pin = 0; pin < 4; pin++, levels >>= 1)
        drive(&wires[channel][pin], levels & 1);
}

void port_enable(uint8_t channel, bool on)
{
    drive(&wires[channel][2], !on);
}

void port_pulse(uint8_t channel, uint16_t half_us)
{
    servo_pulse(channel_configs[channel].pins[0], half_us);
}

void port_lamp(uint8_t number, uint16_t level)
{
    const struct lamp_config *config = &lamp_configs[number];
    uint8_t lock;

    if (config->output == DIMMED && !dimmer_level(config->pin, level))
        return;
    lock = port_lock(); /* steps are made at pins of the same port */
    drive(&lamp_wires[number], level >= SWITCHED_ON);
    port_unlock(lock);
}

void port_transmit(void)
{
    uint8_t lock = port_lock();

    UCSR0B |= _BV(UDRIE0);
    port_unlock(lock);
}

void port_idle(void)
{
    sleep_mode();
}

#if defined(__AVR_ATmega2560__)
ISR(USART0_RX_vect)
#else
ISR(USART_RX_vect)
#endif
{
    line_received(UDR0);
}

#if defined(__AVR_ATmega2560__)
ISR(USART0_UDRE_vect)
#else
ISR(USART_UDRE_vect)
#endif
{
    uint8_t byte;

    if (line_next(&byte))
        UDR0 = byte;
    else
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

int main(void)
{
    port_start();
    firmware_start();
    for (;;)
        firmware_pass();
}
