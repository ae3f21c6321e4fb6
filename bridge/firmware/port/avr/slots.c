/* Timer 2 counts half microseconds: a slot is its 256 counts, and its compare interrupt positions each step within
 * the slot. Steps and received bytes may interrupt planning; a slot that begins meanwhile is owed. */
#include "slots.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "steps.h"

/* Slots that have begun and are not served yet. Beyond MOST_OWED they are lost, and the board's time falls behind. */
#define MOST_OWED 4
static volatile uint8_t owed;
static volatile bool serving, making; /* slots; steps */

/* The steps of this slot, and those planned for the next. */
static struct step slots[2][CHANNELS];
static struct step *due = slots[0];
static uint8_t due_count, due_next, planned_count;

void slots_start(void)
{
    TCCR2B = _BV(CS21);
    TIMSK2 = _BV(TOIE2);
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
    else
        steps_lose_slots(1);
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
