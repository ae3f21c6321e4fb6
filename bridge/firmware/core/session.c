#include "session.h"

#include <stdbool.h>
#include <stddef.h>

#include "channel.h"
#include "events.h"
#include "frame.h"
#include "lamps.h"
#include "line.h"

#define BYTES_AT_ONCE 64

static struct frame_reader reader;
static uint16_t good, missed;
static uint8_t trips;
static uint8_t sequence;        /* of our next frame */
static uint8_t expected;        /* the host's next frame */
static bool met;                /* a frame of the host has come */
static bool introduction_due;
static bool watching;           /* the watchdog wakes with the first good frame */
static uint32_t silent_slots;

static bool begin(uint8_t type, uint8_t body)
{
    if (!line_begin(FRAME_HEADER + body))
        return false;
    sequence += events_dropped(); /* the host counts the gap as frames that it missed */
    line_put(FRAME_VERSION);
    line_put(type);
    line_put(sequence);
    sequence++;
    return true;
}

/* Answers for which there is no room are dropped: the host asks again. A refusal uses up its number all the same. */
static void refuse(uint8_t type, enum refusal reason)
{
    if (!begin(REFUSAL, 2)) {
        sequence++;
        return;
    }
    line_put(type);
    line_put((uint8_t)reason);
    line_end();
}

static void send_status(uint8_t asked)
{
    uint8_t i;

    if (!line_begin(FRAME_HEADER + 10 + 9 * CHANNELS))
        return;
    line_put(FRAME_VERSION);
    line_put(STATUS);
    line_put(asked); /* an answer has its question's number and does not use up one of ours */
    line_put_u16(good);
    line_put_u16(reader.bad);
    line_put_u16(missed);
    line_put_u16(steps_slots_lost());
    line_put(trips);
    line_put(CHANNELS);
    for (i = 0; i < CHANNELS; i++) {
        line_put((uint8_t)channel_state(i));
        line_put_u32((uint32_t)channel_position(i));
        line_put_u32((uint32_t)channel_velocity(i));
    }
    line_end();
}

static void introduce(void)
{
    uint8_t i;

    introduction_due = !begin(INTRODUCTION, 13 + 18 * CHANNELS);
    if (introduction_due)
        return;
    for (i = 0; i < sizeof board_id; i++)
        line_put(board_id[i]);
    line_put(FIRMWARE_MAJOR);
    line_put(FIRMWARE_MINOR);
    line_put_u16(WATCHDOG_MS);
    line_put(CHANNELS);
    for (i = 0; i < CHANNELS; i++) {
        const struct channel_config *config = &channel_configs[i];

        line_put(config->output);
        line_put(config->homing);
        line_put_u32(config->speed);
        line_put_u32(config->acceleration);
        line_put_u32((uint32_t)config->low);
        line_put_u32((uint32_t)config->high);
    }
    line_end();
}

static void send_capabilities(void)
{
    uint8_t i;

    if (!begin(CAPABILITIES, 1 + 3 * LAMPS))
        return; /* the host asks again */
    line_put(LAMPS);
    for (i = 0; i != LAMPS; i++) {
        line_put(lamp_configs[i].output);
        line_put_u16(lamp_configs[i].when_lost);
    }
    line_end();
}

static void send_event(const struct event *event)
{
    if (!begin(EVENT, 6))
        return;
    line_put(event->kind);
    line_put(event->source);
    line_put_u32((uint32_t)event->value);
    line_end();
    event_done();
}

/* A gap in the host's sequence is counted; a doubled or late frame is not. IDENTIFY starts afresh. */
static void count(const uint8_t *payload)
{
    uint8_t gap = (uint8_t)(payload[2] - expected);

    if (!met || payload[1] == IDENTIFY)
        gap = 0;
    met = true;
    if (gap < LATE_GAP) {
        missed += gap;
        expected = payload[2] + 1;
    }
}

static void obey(const uint8_t *payload)
{
    uint8_t type = payload[1], number;
    const uint8_t *record = payload + FRAME_HEADER + 2;
    uint16_t mask;
    bool all_known = true;

    if (type == IDENTIFY) {
        introduce();
        return;
    }
    if (type == QUERY) {
        send_status(payload[2]);
        return;
    }
    if (type == INQUIRE) {
        send_capabilities();
        return;
    }
    mask = frame_mask(payload);
    for (number = 0; mask; number++, mask >>= 1) {
        if (!(mask & 1))
            continue;
        if (type == MOVE) {
            struct position goal;

            goal.count = frame_i32(record);
            goal.fraction = (uint16_t)(record[4] << 8);
            if (!channel_move(number, goal, frame_i32(record + 5)))
                all_known = false;
            record += 9;
        } else if (type == LIGHT) {
            lamp_light(number, frame_u16(record), frame_u16(record + 2));
            record += 4;
        } else if (type == ADOPT) {
            channel_adopt(number, frame_i32(record));
            record += 4;
        } else if (type == HOME) {
            channel_home(number);
        } else {
            channel_rest(number);
        }
    }
    if (!all_known)
        refuse(MOVE, POSITION_NOT_KNOWN);
}

void session_start(void)
{
    introduce();
}

void session_receive(void)
{
    uint8_t byte, length, bytes;

    for (bytes = 0; bytes < BYTES_AT_ONCE && line_take(&byte); bytes++) {
        enum refusal reason;

        length = frame_read(&reader, byte);
        if (!length)
            continue;
        good++;
        silent_slots = 0;
        watching = true;
        count(reader.payload);
        reason = frame_check(reader.payload, length, CHANNELS, LAMPS);
        if (reason)
            refuse(reader.payload[1], reason);
        else
            obey(reader.payload);
    }
}

void session_tick(uint16_t slots)
{
    uint8_t i;

    if (!watching)
        return;
    silent_slots += slots;
    if (silent_slots < (uint32_t)WATCHDOG_MS * 1000 / SLOT_US)
        return;
    watching = false;
    trips++;
    for (i = 0; i < CHANNELS; i++)
        channel_watchdog(i);
    lamps_watchdog();
    event_add(WATCHDOG_EVENT, 0, (int32_t)(silent_slots * SLOT_US / 1000));
}

void session_send(void)
{
    const struct event *event;

    if (introduction_due)
        introduce();
    else if ((event = event_next()) != NULL)
        send_event(event);
}
