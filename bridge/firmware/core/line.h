/* The serial line's two queues. One side of each is an interrupt of the port, the other the main loop. */
#ifndef LINE_H
#define LINE_H

#include <stdbool.h>
#include <stdint.h>

/* From the port: a byte came. Dropped when the queue is full; the CRC shows it. */
void line_received(uint8_t byte);

/* To the port: the next byte to send, false when there is none. */
bool line_next(uint8_t *byte);

/* The next byte that came, false when there is none. */
bool line_take(uint8_t *byte);

/* Send a frame whose payload will have `length` bytes: begin, then put every byte, then end.
 * `line_begin` returns false, and nothing is sent, while there is no room for all of it. */
bool line_begin(uint8_t length);
void line_put(uint8_t byte);
void line_put_u16(uint16_t value);
void line_put_u32(uint32_t value);
void line_end(void);

#endif
