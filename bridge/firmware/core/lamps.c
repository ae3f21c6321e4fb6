#include "lamps.h"

#include "board.h"
#include "port.h"
#include "steps.h"

#define SCALE 14 /* a level fits 30 bits, and so does the difference of two */

struct lamp {
    int32_t now, goal; /* level << SCALE */
    int32_t rate;      /* a slot */
    uint32_t left;     /* slots until the goal */
};

static struct lamp lamps[LAMPS + 1];

void lamp_light(uint8_t number, uint16_t level, uint16_t fade_ms)
{
    struct lamp *lamp = &lamps[number];
    int32_t goal = (int32_t)level << SCALE;
    uint32_t slots = (uint32_t)fade_ms * 1000 / SLOT_US;

    if (goal == lamp->goal) /* sent again: a fade goes on as it is */
        return;
    lamp->goal = goal;
    lamp->left = slots;
    if (slots) {
        lamp->rate = (goal - lamp->now) / (int32_t)slots;
    } else {
        lamp->now = goal;
        port_lamp(number, level);
    }
}

void lamps_tick(uint16_t slots)
{
    uint8_t i;

    for (i = 0; i != LAMPS; i++) {
        struct lamp *lamp = &lamps[i];

        if (!lamp->left)
            continue;
        if (lamp->left > slots) {
            lamp->left -= slots;
            lamp->now += lamp->rate * slots;
        } else {
            lamp->left = 0;
            lamp->now = lamp->goal;
        }
        port_lamp(i, (uint16_t)(lamp->now >> SCALE));
    }
}

void lamps_watchdog(void)
{
    uint8_t i;

    for (i = 0; i != LAMPS; i++)
        lamp_light(i, lamp_configs[i].when_lost, 0);
}

void lamps_start(void)
{
    uint8_t i;

    for (i = 0; i != LAMPS; i++)
        lamps[i].goal = -1; /* none yet: any level is another */
    lamps_watchdog();
}
