/* Runs a board by a script of lines on stdin, writes what happened to stdout.
 *     bytes HEX      these bytes come over the line
 *     advance SLOTS  so many slots of 128 us go by
 *     stuck 0|1      the line to the host takes no byte (1), or takes them again
 *     and the lines of plant.h
 * A record is 16 bytes, little-endian: time u64 in 1/256 slot, value i32, channel u8, kind u8, 2 unused. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "stepped.h"

void record(uint64_t time, enum record_kind kind, uint8_t channel, int32_t value)
{
    unsigned char bytes[16] = {0};
    int i;

    for (i = 0; i < 8; i++)
        bytes[i] = (unsigned char)(time >> 8 * i);
    for (i = 0; i < 4; i++)
        bytes[8 + i] = (unsigned char)((uint32_t)value >> 8 * i);
    bytes[12] = channel;
    bytes[13] = (unsigned char)kind;
    fwrite(bytes, sizeof bytes, 1, stdout);
}

static void receive(const char *hex)
{
    unsigned char bytes[2048];
    size_t count = 0;
    unsigned byte;

    while (count < sizeof bytes && sscanf(hex, "%2x", &byte) == 1) {
        bytes[count++] = (unsigned char)byte;
        hex += 2;
    }
    stepped_receive(bytes, count);
}

int main(void)
{
    char line[8192];
    int started = 0;

    plant_start(&plant);
    while (fgets(line, sizeof line, stdin)) {
        if (plant_obey(&plant, line))
            continue; /* the plant is laid out before the board is switched on */
        if (!started++)
            stepped_start();
        if (!strncmp(line, "bytes ", 6)) {
            receive(line + 6);
        } else if (!strncmp(line, "advance ", 8)) {
            stepped_advance((uint32_t)strtoul(line + 8, NULL, 10));
        } else if (!strncmp(line, "stuck ", 6)) {
            line_stuck = line[6] == '1';
        } else {
            fprintf(stderr, "not understood: %s", line);
            return 2;
        }
    }
    return 0;
}
