/* Port to the ATmega328P and the ATmega2560: bare metal, 16 MHz.
 *
 * Timer 2 counts half microseconds: a slot is its 256 counts, its compare interrupt places each step within
 * the slot. The 16-bit timers make servo pulses by themselves (servo.c). USART 0 is the host's line.
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

#include "firmware.h"
#include "line.h"
#include "port.h"
#include "servo.h"
#include "steps.h"

#define STEP_PULSE_US 3 /* step/dir drivers want 1 to 2.5 us (data sheets, from memory) */
#define DIRECTION_SETUP_US 5

/* The PIN register of each port; DDR and PORT follow it. */
static volatile uint8_t *const registers[] = {
#if defined(__AVR_ATmega2560__)
    &PINA, &PINB, &PINC, &PIND, &PINE, &PINF, &PING, &PINH, 0, &PINJ, &PINK, &PINL
#elif defined(__AVR_ATmega328P__)
    0, &PINB, &PINC, &PIND
#else
#error "Add this part's port registers here, its servo pins to servo.c, and both to bridge/hardware/microcontrollers.py"
#endif
};

struct wire {
    volatile uint8_t *port;
    uint8_t mask;
};

static struct wire wires[CHANNELS][4];

/* Steps of this slot, and those planned for the next. */
static struct step slots[2][CHANNELS];
static struct step *due = slots[0];
static uint8_t due_count, due_next, planned_count;

/* Slots that have begun and wait to be served; more than so many are forgotten: then time goes slower. */
#define MOST_OWED 4
static volatile uint8_t owed;
static volatile bool serving, making; /* slots; steps */

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
    for (i = 0; i != INPUTS; i++)
        for (pin = 0; pin < 2; pin++)
            input(input_configs[i].pins[pin]);

    UBRR0 = UBRR_VALUE;
#if USE_2X
    UCSR0A = _BV(U2X0);
#endif
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);

    TCCR2B = _BV(CS21);
    TIMSK2 = _BV(TOIE2);
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
    bool stands = wire[1].port && (*wire[1].port & wire[1].mask);

    if (stands != clockwise) {
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

/* Whether `at` is more than `counts` ahead in the slot that is served; all of it is past once the next began. */
static bool ahead(uint8_t at, uint8_t counts)
{
    uint8_t now = TCNT2;

    return at > now + counts && !owed && !(TIFR2 & _BV(TOV2));
}

/* Make the steps whose time has come and set the alarm for the next one. Bytes may come between and within
 * steps: at 500,000 baud the receiver holds 60 us. Begins with the alarm off and ends with interrupts off. */
static void make_due(void)
{
    making = true;
    for (;;) {
        cli();
        if (due_next == due_count)
            break;
        if (ahead(due[due_next].at, 2)) {
            OCR2A = due[due_next].at;
            TIMSK2 |= _BV(OCIE2A);
            if (ahead(due[due_next].at, 0)) /* the counter has not passed it meanwhile */
                break;
            TIMSK2 &= (uint8_t)~_BV(OCIE2A);
        }
        sei();
        steps_make(&due[due_next++]);
    }
    making = false;
}

/* Serve the slots that have begun: make what the last one left, then plan one ahead, while steps and bytes come
 * between. Begins and ends with interrupts off. */
static void serve_slots(void)
{
    serving = true;
    while (owed) {
        owed--;
        TIMSK2 &= (uint8_t)~_BV(OCIE2A);
        making = true;
        sei();
        while (due_next < due_count)
            steps_make(&due[due_next++]);
        due = due == slots[0] ? slots[1] : slots[0];
        due_count = planned_count;
        due_next = 0;
        make_due();
        sei();
        planned_count = steps_plan(due == slots[0] ? slots[1] : slots[0]);
        cli();
    }
    serving = false;
}

ISR(TIMER2_OVF_vect)
{
    if (owed < MOST_OWED)
        owed++;
    if (!making && !serving)
        serve_slots();
}

ISR(TIMER2_COMPA_vect)
{
    TIMSK2 &= (uint8_t)~_BV(OCIE2A);
    make_due();
    if (owed && !serving)
        serve_slots();
}

int main(void)
{
    port_start();
    firmware_start();
    for (;;)
        firmware_pass();
}
