/* Events on their way to the host: a short queue; when it is full the newest is dropped, and counted. Losing
 * one is harmless: counts are absolute, and the host notices marks that were not reported. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stdint.h>

#include "contract.h"

struct event {
    uint8_t kind;   /* enum event_kind */
    uint8_t source; /* channel or input */
    int32_t value;
};

void event_add(enum event_kind kind, uint8_t source, int32_t value);

/* The oldest event, or null; `event_done` removes it. */
const struct event *event_next(void);
void event_done(void);

/* How many were dropped since the last call; more than a gap in the sequence can tell count as that many. */
uint8_t events_dropped(void);

#endif
