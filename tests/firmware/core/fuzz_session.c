/* A whole board on any frames and any times. The input is a row of events: a byte says how many slots go by,
 * a byte how many bytes follow, and those are the payload of a good frame (or raw bytes, if its top bit is set).
 *
 * Held to: nothing turns before its position is known or it was told to home; a pointer within its stops stays
 * there; no rate beats its limit; every byte that the board sends belongs to a good frame of a board. */
#include <assert.h>
#include <string.h>

#include "stepped.h"
#include "channel.h"
#include "frame.h"

#define LONGEST_SLOTS 20000 /* 2.6 s: past the watchdog */

/* The core's variables are in this section (cleared.h), so that every input meets a board fresh from reset. */
extern char __start_board_state[], __stop_board_state[];

static struct frame_reader host;
static uint8_t asked[CHANNELS]; /* HOME or ADOPT has come */
/* The same, and it has not been at rest since: its count may have changed otherwise than by steps, and what turned
 * when ADOPT came may have to brake past a stop. */
static uint8_t unsettled[CHANNELS];
static size_t frames;

void record(uint64_t time, enum record_kind kind, uint8_t channel, int32_t value)
{
    (void)time;
    if (kind == STEP_RECORD) {
        assert(value == 1 || value == -1);
        assert(asked[channel]);
    } else if (kind == SENT_RECORD && frame_read(&host, (uint8_t)value)) {
        assert(host.payload[0] == FRAME_VERSION && host.payload[1] >= INTRODUCTION && host.payload[1] <= CAPABILITIES);
        frames++;
    } else if (kind == LAMP_RECORD) {
        assert(channel + 1 <= LAMPS && value >= 0 && value <= 65535);
    }
    assert(host.bad == 0);
}

__attribute__((no_sanitize("address"))) static void power_on(void)
{
    volatile char *byte;

    for (byte = __start_board_state; byte < __stop_board_state; byte++)
        *byte = 0;
    memset(asked, 0, sizeof asked);
    memset(unsettled, 0, sizeof unsettled);
    memset(&host, 0, sizeof host);
    plant_start(&plant);
    stepped_start();
}

static size_t on_line(const uint8_t *payload, size_t length, uint8_t *line)
{
    uint8_t plain[258];
    uint16_t crc = 0xFFFF;
    size_t i, code_at = 0, end = 1;

    memcpy(plain, payload, length);
    for (i = 0; i < length; i++)
        crc = frame_crc(crc, plain[i]);
    plain[length++] = (uint8_t)crc;
    plain[length++] = (uint8_t)(crc >> 8);
    for (i = 0; i < length; i++) {
        if (plain[i])
            line[end++] = plain[i];
        if (!plain[i] || end - code_at == 0xFF) {
            line[code_at] = (uint8_t)(end - code_at);
            code_at = end++;
        }
    }
    line[code_at] = (uint8_t)(end - code_at);
    line[end++] = 0;
    return end;
}

static void notice(const uint8_t *payload, size_t length)
{
    uint8_t i;

    if (length >= 5 && (payload[1] == HOME || payload[1] == ADOPT))
        for (i = 0; i < CHANNELS; i++)
            if (payload[3 + i / 8] >> i % 8 & 1)
                asked[i] = unsettled[i] = 1;
}

static void inspect(const int32_t *before, const uint8_t *state_before)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];
        int32_t position = channel_position(i), velocity = channel_velocity(i);
        int64_t most = ((int64_t)config->speed + 1) * 256;

        assert(channel_state(i) <= FAULT);
        assert(velocity <= most && velocity >= -most);
        if (state_before[i] == READY && channel_state(i) == READY && before[i] >= config->low
            && before[i] <= config->high && !unsettled[i])
            assert(position >= config->low && position <= config->high);
        if (velocity == 0)
            unsettled[i] = 0;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    int32_t before[CHANNELS];
    uint8_t line[300], states[CHANNELS], i;
    uint32_t elapsed = 0;

    power_on();
    while (size >= 2 && elapsed < LONGEST_SLOTS) {
        uint8_t slots = data[0], raw = data[1] & 0x80;
        size_t length = data[1] & 0x7F;

        data += 2;
        size -= 2;
        if (length > size)
            length = size;
        for (i = 0; i < CHANNELS; i++) {
            before[i] = channel_position(i);
            states[i] = (uint8_t)channel_state(i);
        }
        if (raw) {
            memset(asked, 1, sizeof asked); /* it may hold anything */
            memset(unsettled, 1, sizeof unsettled);
            stepped_receive(data, length);
        } else {
            notice(data, length);
            stepped_receive(line, on_line(data, length, line));
        }
        stepped_advance((uint32_t)slots * 8);
        elapsed += (uint32_t)slots * 8 + 8;
        inspect(before, states);
        data += length;
        size -= length;
    }
    assert(frames); /* the introduction at least */
    return 0;
}
