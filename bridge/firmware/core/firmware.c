#include "firmware.h"

#include "channel.h"
#include "inputs.h"
#include "lamps.h"
#include "motion.h"
#include "port.h"
#include "session.h"
#include "steps.h"

static uint16_t ticked; /* the clock at the last control tick */

void firmware_start(void)
{
    channels_start();
    inputs_start();
    lamps_start();
    session_start();
    ticked = steps_clock();
}

void firmware_pass(void)
{
    uint16_t now = steps_clock(), slots = now - ticked;

    inputs_read(now);
    session_receive();
    if (slots >= TICK_SLOTS) {
        ticked = now;
        channels_tick(slots);
        lamps_tick(slots);
        session_tick(slots);
    }
    session_send();
    port_idle();
}
