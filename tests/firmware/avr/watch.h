/* What the program does inside: how long one of its functions takes, how deep its stack goes. */
#ifndef WATCH_H
#define WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include <sim_elf.h>

struct profile {
    uint32_t address, back;
    uint64_t entered, calls, total, longest;
    bool inside;
};

extern struct profile profile;

bool watch_start(const elf_firmware_t *firmware, const char *function); /* false if there is none of that name */
void watch(void);           /* after every instruction */
unsigned watch_stack(void); /* bytes used at most */

#endif
