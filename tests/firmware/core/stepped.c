#include "stepped.h"

#include "firmware.h"
#include "line.h"
#include "port.h"
#include "steps.h"

struct plant plant;
bool line_stuck;

static uint64_t slots_elapsed;
static uint64_t now; /* in 1/256 slot */
static uint8_t levels[CHANNELS];
static uint16_t pulses[CHANNELS];
static bool switched_on[CHANNELS];
static uint16_t lamp_levels[LAMPS + 1];
static struct step planned[CHANNELS];
static uint8_t planned_count;

void port_start(void)
{
}

uint8_t port_lock(void)
{
    return 0; /* nothing interrupts: slots go by between two passes */
}

void port_unlock(uint8_t before)
{
    (void)before;
}

bool port_input(uint8_t pin)
{
    return plant_level(&plant, pin);
}

static void switched(uint8_t channel, bool on)
{
    if (on != switched_on[channel])
        record(now, CURRENT_RECORD, channel, on);
    switched_on[channel] = on;
}

static void pins(uint8_t channel, uint8_t after)
{
    int32_t before = plant.motors[channel].made, made;

    plant_pins(&plant, channel, levels[channel], after);
    levels[channel] = after;
    made = plant.motors[channel].made - before;
    if (made)
        record(now, STEP_RECORD, channel, made);
}

void port_step(uint8_t channel, bool clockwise)
{
    uint8_t direction = clockwise ? 2 : 0;

    pins(channel, direction);
    pins(channel, direction | 1);
    pins(channel, direction);
}

void port_coils(uint8_t channel, uint8_t after)
{
    pins(channel, after);
    switched(channel, after != 0);
}

void port_enable(uint8_t channel, bool on)
{
    switched(channel, on);
}

void port_pulse(uint8_t channel, uint16_t half_us)
{
    if (half_us != pulses[channel])
        record(now, PULSE_RECORD, channel, half_us);
    pulses[channel] = half_us;
}

void port_lamp(uint8_t number, uint16_t level)
{
    if (level != lamp_levels[number])
        record(now, LAMP_RECORD, number, level);
    lamp_levels[number] = level;
}

void port_transmit(void)
{
}

void port_idle(void)
{
    uint8_t byte;

    while (!line_stuck && line_next(&byte))
        record(now, SENT_RECORD, 0, byte);
}

void stepped_start(void)
{
    port_start();
    firmware_start();
    firmware_pass();
}

void stepped_receive(const uint8_t *bytes, size_t count)
{
    size_t i;

    for (i = 0; i < count; i++) {
        line_received(bytes[i]);
        if (i % 64 == 63)
            firmware_pass();
    }
    firmware_pass();
}

void stepped_advance(uint32_t slots)
{
    uint8_t i;

    for (; slots; slots--) {
        for (i = 0; i < planned_count; i++) {
            now = slots_elapsed * 256 + planned[i].at;
            steps_make(&planned[i]);
        }
        planned_count = steps_plan(planned);
        slots_elapsed++;
        now = slots_elapsed * 256;
        firmware_pass();
    }
}
