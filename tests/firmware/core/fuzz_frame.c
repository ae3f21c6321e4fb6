/* The frame parser on any bytes: what it returns is a whole frame, and what the firmware sends it reads back. */
#include <assert.h>
#include <string.h>

#include "stepped.h"
#include "frame.h"
#include "line.h"

void record(uint64_t time, enum record_kind kind, uint8_t channel, int32_t value)
{
    (void)time, (void)kind, (void)channel, (void)value; /* the board itself does not run here */
}

/* As many copies as the queue takes come out whole. */
static void read_back(const uint8_t *payload, uint8_t length)
{
    struct frame_reader reader = {0};
    unsigned written = 0, got = 0;
    uint8_t byte, i;

    while (line_begin(length)) {
        for (i = 0; i < length; i++)
            line_put(payload[i]);
        line_end();
        written++;
    }
    assert(written); /* it was empty, so there is room for any frame */
    while (line_next(&byte)) {
        uint8_t found = frame_read(&reader, byte);

        if (!found)
            continue;
        assert(found == length && !memcmp(reader.payload, payload, length));
        got++;
    }
    assert(got == written && reader.bad == 0);
}

/* What is accepted names channels that are there, and holds a whole record for each. */
static void check(const uint8_t *payload, uint8_t length)
{
    static const uint8_t records[] = {[MOVE] = 9, [ADOPT] = 4, [REST] = 0, [LIGHT] = 4};
    uint8_t channels, lamps, named;
    unsigned mask;

    for (channels = 1; channels <= 12; channels++) {
        lamps = channels == 12 ? MOST_LAMPS : 12 - channels;
        if (frame_check(payload, length, channels, lamps) != ACCEPTED)
            continue;
        assert(payload[0] == FRAME_VERSION && payload[1] >= IDENTIFY && payload[1] <= INQUIRE);
        if (payload[1] == IDENTIFY || payload[1] == QUERY || payload[1] == INQUIRE) {
            assert(length == FRAME_HEADER);
            continue;
        }
        mask = frame_mask(payload);
        assert(mask < 1u << (payload[1] == LIGHT ? lamps : channels));
        for (named = 0; mask; mask &= mask - 1)
            named++;
        assert(length == FRAME_HEADER + 2 + named * records[payload[1]]);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct frame_reader reader = {0};
    size_t zeros = 0, good = 0, i;

    for (i = 0; i < size; i++) {
        uint8_t length = frame_read(&reader, data[i]);

        zeros += data[i] == 0;
        if (length == 0)
            continue;
        assert(data[i] == 0 && length >= FRAME_HEADER && length <= FRAME_LONGEST);
        good++;
        check(reader.payload, length);
        read_back(reader.payload, length);
    }
    assert(good + reader.bad <= zeros);
    if (size >= FRAME_HEADER && size <= FRAME_LONGEST) { /* the input as a payload, without a CRC to guess */
        check(data, (uint8_t)size);
        read_back(data, (uint8_t)size);
    }
    return 0;
}
