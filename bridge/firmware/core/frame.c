#include "frame.h"

uint16_t frame_crc(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)(crc >> 8 ^ byte);
    x ^= x >> 4;
    return (uint16_t)(crc << 8 ^ (uint16_t)x << 12 ^ (uint16_t)x << 5 ^ x);
}

static bool intact(const struct frame_reader *reader)
{
    uint16_t crc = 0xFFFF;
    uint8_t end, i;

    if (reader->broken || reader->left || reader->length < FRAME_HEADER + 2)
        return false;
    end = reader->length - 2;
    for (i = 0; i < end; i++)
        crc = frame_crc(crc, reader->payload[i]);
    return frame_u16(reader->payload + end) == crc;
}

static void keep(struct frame_reader *reader, uint8_t byte)
{
    if (reader->length < sizeof reader->payload)
        reader->payload[reader->length++] = byte;
    else
        reader->broken = true;
}

static uint8_t finish(struct frame_reader *reader)
{
    uint8_t length = 0;

    if (intact(reader))
        length = reader->length - 2;
    else if (reader->started) /* two zero bytes in a row are no frame and no fault */
        reader->bad++;
    reader->length = reader->left = 0;
    reader->started = reader->zero_next = reader->broken = false;
    return length;
}

uint8_t frame_read(struct frame_reader *reader, uint8_t byte)
{
    if (byte == 0)
        return finish(reader);
    reader->started = true;
    if (reader->left) {
        reader->left--;
        keep(reader, byte);
    } else { /* the code byte of the next block */
        if (reader->zero_next)
            keep(reader, 0);
        reader->left = byte - 1;
        reader->zero_next = byte != 0xFF;
    }
    return 0;
}

uint16_t frame_u16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)at[1] << 8);
}

int32_t frame_i32(const uint8_t *at)
{
    return (int32_t)(frame_u16(at) | (uint32_t)frame_u16(at + 2) << 16);
}

uint16_t frame_mask(const uint8_t *payload)
{
    return frame_u16(payload + FRAME_HEADER);
}

static uint8_t bits(uint16_t mask)
{
    uint8_t count = 0;

    for (; mask; mask >>= 1)
        count += mask & 1;
    return count;
}

enum refusal frame_check(const uint8_t *payload, uint8_t length, uint8_t channels, uint8_t lamps)
{
    uint8_t record = 0;
    uint32_t mask;

    if (payload[0] != FRAME_VERSION)
        return VERSION_NOT_SPOKEN;
    switch (payload[1]) {
    case IDENTIFY:
    case QUERY:
    case INQUIRE:
        return length == FRAME_HEADER ? ACCEPTED : WRONG_LENGTH;
    case MOVE:
        record = 9;
        break;
    case ADOPT:
        record = 4;
        break;
    case LIGHT:
        record = 4;
        channels = lamps;
        break;
    case HOME:
    case REST:
        break;
    default:
        return UNKNOWN_TYPE;
    }
    if (length < FRAME_HEADER + 2)
        return WRONG_LENGTH;
    mask = frame_mask(payload);
    if (length != FRAME_HEADER + 2 + record * bits((uint16_t)mask))
        return WRONG_LENGTH;
    return mask >> channels ? NO_SUCH_CHANNEL : ACCEPTED;
}
