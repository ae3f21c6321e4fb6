#include "contacts.h"

#include "mechanics.h"
#include "pins.h"

#define BOUNCE (150 * US)
#define QUARTER (1500 * US) /* between two changes of a knob that is turned briskly */
#define PRESS (60000 * US)

struct contact { /* a knob or a button */
    struct pin a, b;
    int quarters, phase, bounces; /* quarters still to turn, signed */
    int presses;
};

static struct contact contacts[CHANNELS];

static avr_cycle_count_t turning(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct contact *contact = param;
    int phase = contact->phase + (contact->quarters > 0 ? 1 : 3); /* where the next quarter leads */
    bool there;

    (void)unused;
    if (!contact->quarters)
        return 0;
    there = ++contact->bounces % 2; /* closes, opens, closes */
    if (!there)
        phase = contact->phase;
    phase &= 3;
    pin_drive(&contact->a, phase == 0 || phase == 3);
    pin_drive(&contact->b, phase == 0 || phase == 1);
    if (contact->bounces < 3)
        return when + BOUNCE;
    contact->bounces = 0;
    contact->phase = phase;
    contact->quarters += contact->quarters > 0 ? -1 : 1;
    return contact->quarters ? when + QUARTER : 0;
}

static avr_cycle_count_t pressing(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct contact *contact = param;
    bool down;

    (void)unused;
    if (!contact->presses)
        return 0;
    contact->bounces++;
    down = contact->bounces % 2; /* down, up, down; then up, down, up */
    pin_drive(&contact->a, contact->bounces > 3 ? down : !down);
    if (contact->bounces < 6)
        return when + (contact->bounces == 3 ? PRESS : BOUNCE);
    contact->bounces = 0;
    contact->presses--;
    pin_drive(&contact->a, true);
    return contact->presses ? when + PRESS : 0;
}

void contact_describe(int number, const char *a, const char *b)
{
    contacts[number].a = pin_parse(a);
    contacts[number].b = pin_parse(b);
}

void contacts_attach(void)
{
    int n;

    for (n = 0; n < CHANNELS; n++) {
        pin_find(&contacts[n].a);
        pin_find(&contacts[n].b);
    }
}

/* The chip's cycle timers are gone: nothing is being turned or pressed. */
void contacts_reset(void)
{
    int n;

    for (n = 0; n < CHANNELS; n++) {
        struct contact *contact = &contacts[n];

        contact->quarters = contact->presses = contact->bounces = contact->phase = 0;
        pin_forget(&contact->a);
        pin_forget(&contact->b);
        pin_drive(&contact->a, true);
        pin_drive(&contact->b, true);
    }
}

void contact_turn(int number, int clicks)
{
    contacts[number].quarters += 4 * clicks;
    avr_cycle_timer_register(avr, QUARTER, turning, &contacts[number]);
}

void contact_press(int number)
{
    if (contacts[number].presses++ == 0)
        avr_cycle_timer_register(avr, PRESS, pressing, &contacts[number]);
}
