#include "pins.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <avr_ioport.h>

avr_t *avr;

/* simavr 1.6: a write to a port raises its input pins to their pull-ups again, unless the level from outside
 * is also told as an external pull. So it is told both ways. */
void pin_drive(const struct pin *pin, bool level)
{
    static uint8_t mask[128], value[128];
    int port = pin->port;
    avr_ioport_external_t external;

    if (!port)
        return;
    mask[port] |= (uint8_t)(1 << pin->bit);
    value[port] = (uint8_t)((value[port] & ~(1 << pin->bit)) | level << pin->bit);
    memset(&external, 0, sizeof external);
    external.name = (unsigned)port & 127;
    external.mask = mask[port];
    external.value = value[port];
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
    avr_raise_irq(pin->irq, level);
}

/* simavr 1.6: a reset clears the pins' registers, but a level that is raised again is taken for one that stayed. */
void pin_forget(const struct pin *pin)
{
    if (pin->port)
        pin->irq->value = UINT32_MAX;
}

void pin_find(struct pin *pin)
{
    if (pin->port)
        pin->irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin->port), pin->bit);
}

struct pin pin_parse(const char *text)
{
    struct pin pin = {0, 0, NULL};

    if (text && text[0] != '-') {
        pin.port = text[0];
        pin.bit = atoi(text + 1);
    }
    return pin;
}
