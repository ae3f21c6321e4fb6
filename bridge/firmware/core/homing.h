/* The search for a channel's home position: an index mark, an end stop, or the motor's own stop (sweep). */
#ifndef HOMING_H
#define HOMING_H

#include <stdbool.h>
#include <stdint.h>

#include "motion.h"
#include "steps.h"

struct search {
    int32_t from; /* steps: the count where it began, or last turned round */
    bool leaving; /* the end stop was closed to begin with: away from it first, to find where it closes */
};

enum search_result { SEARCHING, FOUND, NOT_FOUND };

/* Begin at this count; what the sensors found before is discarded. */
void homing_begin(uint8_t channel, struct search *search, struct motion *motion, int32_t count);

/* One control tick at this count. FOUND sets `zero` to the count at the home position; after a sweep, when the motor
 * slips at its stop, home is where it comes to rest. */
enum search_result homing_tick(uint8_t channel, struct search *search, struct motion *motion, int32_t count,
                               const struct finding *found, int32_t *zero);

#endif
