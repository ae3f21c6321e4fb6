#include "events.h"

#include <stddef.h>

#define EVENTS 16
#define MOST_DROPPED (LATE_GAP - 1) /* the host takes a longer gap for a late frame */

static struct event events[EVENTS];
static uint8_t first, count, dropped;

void event_add(enum event_kind kind, uint8_t source, int32_t value)
{
    struct event *event = &events[(first + count) % EVENTS];

    if (count == EVENTS) {
        if (dropped < MOST_DROPPED)
            dropped++;
        return;
    }
    event->kind = (uint8_t)kind;
    event->source = source;
    event->value = value;
    count++;
}

const struct event *event_next(void)
{
    return count ? &events[first] : NULL;
}

void event_done(void)
{
    first = (first + 1) % EVENTS;
    count--;
}

uint8_t events_dropped(void)
{
    uint8_t since = dropped;

    dropped = 0;
    return since;
}
