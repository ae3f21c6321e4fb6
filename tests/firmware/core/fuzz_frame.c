/* The frame parser on any bytes: what it gives is a whole frame, and what the firmware sends it reads back. */
#include <assert.h>
#include <string.h>

#include "bench.h"
#include "frame.h"
#include "line.h"

void record(uint64_t time, enum record_kind kind, uint8_t channel, int32_t value)
{
    (void)time, (void)kind, (void)channel, (void)value; /* the board itself is not alive here */
}

static void read_back(const uint8_t *payload, uint8_t length)
{
    struct frame_reader reader = {0};
    uint8_t byte, i, got = 0;

    if (!line_begin(length))
        assert(!"the queue is empty, so there is room");
    for (i = 0; i < length; i++)
        line_put(payload[i]);
    line_end();
    while (line_next(&byte)) {
        assert(got == 0);
        got = frame_read(&reader, byte);
    }
    assert(got == length && reader.bad == 0 && !memcmp(reader.payload, payload, length));
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
        if (frame_check(reader.payload, length, 12) == ACCEPTED && reader.payload[1] == MOVE)
            assert(length <= FRAME_HEADER + 2 + 9 * 12 && frame_mask(reader.payload) >> 12 == 0);
        read_back(reader.payload, length);
    }
    assert(good + reader.bad <= zeros);
    if (size >= FRAME_HEADER && size <= FRAME_LONGEST)
        read_back(data, (uint8_t)size);
    return 0;
}
