#include "watch.h"

#include <string.h>

#include "mechanics.h"
#include "pins.h"

struct profile profile;
static unsigned deepest = UINT32_MAX; /* where the stack pointer was lowest */

bool watch_start(const elf_firmware_t *firmware, const char *function)
{
    uint32_t i;

    memset(&profile, 0, sizeof profile);
    for (i = 0; i < firmware->symbolcount; i++)
        if (!strcmp(firmware->symbol[i]->symbol, function))
            profile.address = firmware->symbol[i]->addr;
    return profile.address != 0;
}

static void watch_function(void)
{
    unsigned sp;

    if (!profile.inside && avr->pc == profile.address) {
        sp = avr->data[R_SPL] | avr->data[R_SPH] << 8;
        profile.back = (uint32_t)(avr->data[sp + 1] << 8 | avr->data[sp + 2]) * 2; /* 16-bit return address */
        if (avr->address_size == 3)
            profile.back = (uint32_t)(avr->data[sp + 1] << 16 | avr->data[sp + 2] << 8 | avr->data[sp + 3]) * 2;
        profile.entered = now();
        profile.inside = true;
    } else if (profile.inside && avr->pc == profile.back) {
        uint64_t took = now() - profile.entered;

        profile.inside = false;
        profile.calls++;
        profile.total += took;
        if (took > profile.longest)
            profile.longest = took;
    }
}

/* A function moves the stack pointer by two writes, one byte each: a value that stays for three instructions is meant. */
static void look_at_stack(void)
{
    static unsigned last, before;
    unsigned sp = avr->data[R_SPL] | avr->data[R_SPH] << 8, meant = sp > last ? sp : last;

    if (before > meant)
        meant = before;
    if (meant && meant < deepest)
        deepest = meant;
    before = last;
    last = sp;
}

void watch(void)
{
    look_at_stack();
    if (profile.address)
        watch_function();
}

unsigned watch_stack(void)
{
    return deepest == UINT32_MAX ? 0 : avr->ramend - deepest;
}
