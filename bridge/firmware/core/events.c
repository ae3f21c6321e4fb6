#include "events.h"

#include <stddef.h>

#define EVENTS 16

static struct event events[EVENTS];
static uint8_t first, count;

void event_add(enum event_kind kind, uint8_t source, int32_t value)
{
    struct event *event = &events[(first + count) % EVENTS];

    if (count == EVENTS)
        return;
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
