/* A microcontroller board in this process: simavr runs its program, a pty is its serial line.
 *
 *     runner ELF MCU DESCRIPTION
 *
 * Prints the path of the pty, then answers each line of standard input with one line:
 *     pace wall      the board's clock keeps step with the wall clock and never gets ahead; time that a busy
 *                    machine could not give it is not caught up (this is how it starts)
 *     pace demand    the board's clock is stopped unless `elapse` lets it go, or the serial line has work: for
 *                    tests that must not depend on how fast the host is
 *     pace free      as fast as it goes
 *     elapse US      answers when so much of the board's time has gone by
 *     reset          the board's reset button
 *     log FILE       write pin edges and serial bytes there from now on (mechanics.h), `log -` ends it
 *     profile SYMBOL measure this function from now on
 *     counts         what the mechanics saw, as JSON
 *     quit
 * and the mechanics' own: lose N STEPS, index N 0|1, stop N 0|1, knob N CLICKS, press N.
 *
 * Quirks of simavr 1.6 that are worked around here:
 *   - its receiver queues 64 bytes and raises the next one a byte's time after the last was read. A real one
 *     holds two, and one more in its shift register; here bytes come at the rate of the line and one that
 *     finds no place is lost.
 *   - a sleeping chip sleeps in wall-clock time; here it skips to its next event.
 *   - avr_reset forgets cycle timers and cycles; both are kept here.
 *   - an external interrupt's pin that is low is polled every cycle, once more for each edge, whether the
 *     interrupt is enabled or not; switched off here, for the firmware uses none.
 *   - a write to TIFRn clears every flag of the timer, not just those written as 1: the firmware writes none.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <avr_extint.h>
#include <avr_uart.h>
#include <sim_elf.h>

#include "mechanics.h"
#include "pins.h"
#include "watch.h"

#define HZ 16000000ull
#define SLICE (HZ / 1000)
#define GRACE (HZ / 200) /* on demand, how long the clock goes on after a byte came or went */
#define LATE_NS 20000000ll
#define NEVER UINT64_MAX

static avr_uart_t *uart;
static uint64_t cycles_before;         /* the last reset */
static uint64_t asleep;
static uint64_t granted, elapse_until = NEVER;
static enum { WALL, DEMAND, FREE } pace = WALL;
static int64_t origin;                 /* of the wall clock, in pace with it; 0 to take a new one */
static int line = -1;

static unsigned char incoming[256]; /* about what a USB serial adapter holds */
static unsigned in_head, in_count;
static unsigned char held[3];
static unsigned held_count;
static unsigned char outgoing[65536];
static unsigned out_count;
static uint64_t received, sent, overruns, dropped;

uint64_t now(void)
{
    return cycles_before + avr->cycle;
}

static void busy(void)
{
    if (now() + GRACE > granted)
        granted = now() + GRACE;
}

/* -- the serial line -------------------------------------------------------------------------- */

static unsigned unread(void)
{
    return (unsigned)(uart->input.write - uart->input.read) & 63;
}

static void hand_over(void)
{
    avr_cycle_count_t cycles = uart->cycles_per_byte;

    uart->cycles_per_byte = 1; /* it has waited its byte's time already */
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), held[0]);
    uart->cycles_per_byte = cycles;
    memmove(held, held + 1, --held_count);
}

static avr_cycle_count_t byte_cycles(void)
{
    unsigned divider = avr->data[0xC4] | avr->data[0xC5] << 8; /* UBRR0, at the same place on both parts */

    return (divider + 1u) * (avr->data[0xC0] & 2 ? 8 : 16) * 10; /* U2X0; start, eight, stop */
}

static avr_cycle_count_t byte_came(avr_t *unused, avr_cycle_count_t when, void *param)
{
    unsigned char byte = incoming[in_head];

    (void)unused;
    (void)param;
    in_head = (in_head + 1) % sizeof incoming;
    in_count--;
    received++;
    busy();
    log_event(now(), LOG_RECEIVED, byte);
    if (avr->data[0xC1] & 0x10) { /* RXEN0 */
        if (unread() + held_count < 3)
            held[held_count++] = byte;
        else
            overruns++;
    }
    return in_count ? when + byte_cycles() : 0;
}

static void byte_went(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    sent++;
    busy();
    log_event(now(), LOG_SENT, (int)(value & 255));
    if (out_count < sizeof outgoing)
        outgoing[out_count++] = (unsigned char)value;
}

static void exchange(void)
{
    unsigned char data[sizeof incoming];
    ssize_t length = 0, i;

    if (in_count < sizeof incoming)
        length = read(line, data, sizeof incoming - in_count);
    for (i = 0; i < length; i++) {
        incoming[(in_head + in_count) % sizeof incoming] = data[i];
        if (in_count++ == 0)
            avr_cycle_timer_register(avr, byte_cycles(), byte_came, NULL);
        busy();
    }
    if (out_count) {
        length = write(line, outgoing, out_count);
        if (length < 0)
            length = 0;
        dropped += out_count - (unsigned)length; /* nobody reads: lost, as on a real line */
        out_count = 0;
    }
}

static const char *open_line(void)
{
    static char path[256];
    struct termios raw;
    int slave; /* kept open, so that the line outlives its users */

    if (openpty(&line, &slave, path, NULL, NULL) < 0) {
        perror("openpty");
        exit(1);
    }
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    fcntl(line, F_SETFL, O_NONBLOCK);
    fcntl(line, F_SETFD, FD_CLOEXEC);
    return path;
}

/* -- the chip --------------------------------------------------------------------------------- */

static void sleeping(avr_t *unused, avr_cycle_count_t cycles)
{
    (void)unused;
    asleep += cycles;
}

static void after_reset(void)
{
    unsigned char interrupt;

    for (interrupt = 0; interrupt < EXTINT_COUNT; interrupt++)
        avr_extint_set_strict_lvl_trig(avr, interrupt, 0);
    mechanics_reset();
    busy();
}

static void reset(void)
{
    cycles_before += avr->cycle;
    avr->cycle = 0;
    avr_reset(avr);
    avr->cycle = 0;
    held_count = 0;
    after_reset();
    if (in_count)
        avr_cycle_timer_register(avr, byte_cycles(), byte_came, NULL);
}

static void run_until(uint64_t end)
{
    while (now() < end) {
        avr_run(avr);
        watch();
        if (held_count && !unread())
            hand_over();
        if (avr->state == cpu_Crashed || avr->state == cpu_Done) {
            fprintf(stderr, "runner: the program crashed or stopped at pc %x\n", avr->pc);
            exit(2);
        }
    }
}

/* -- commands --------------------------------------------------------------------------------- */

static elf_firmware_t firmware;

static void counts(void)
{
    printf("{\"cycle\": %llu, \"asleep\": %llu, \"received\": %llu, \"sent\": %llu, \"overruns\": %llu, "
           "\"dropped\": %llu, \"stack\": %u, \"calls\": %llu, \"cycles\": %llu, \"longest\": %llu, \"channels\": ",
           (unsigned long long)now(), (unsigned long long)asleep, (unsigned long long)received,
           (unsigned long long)sent, (unsigned long long)overruns, (unsigned long long)dropped,
           watch_stack(), (unsigned long long)profile.calls, (unsigned long long)profile.total,
           (unsigned long long)profile.longest);
    mechanics_print(stdout);
    puts("}");
}

static void command(char *text)
{
    char word[16] = "", rest[512] = "";
    bool good = true;

    sscanf(text, "%15s %511[^\n]", word, rest);
    if (!strcmp(word, "quit")) {
        log_to(NULL);
        exit(0);
    } else if (!strcmp(word, "counts")) {
        counts();
        fflush(stdout);
        return;
    } else if (!strcmp(word, "elapse")) {
        elapse_until = now() + strtoull(rest, NULL, 10) * (HZ / 1000000);
        return; /* answered when it has gone by */
    } else if (!strcmp(word, "pace")) {
        origin = 0;
        pace = !strcmp(rest, "wall") ? WALL : !strcmp(rest, "demand") ? DEMAND : FREE;
    } else if (!strcmp(word, "reset")) {
        reset();
    } else if (!strcmp(word, "profile")) {
        good = watch_start(&firmware, rest);
    } else if (!strcmp(word, "log")) {
        FILE *file = strcmp(rest, "-") ? fopen(rest, "wb") : NULL;

        good = file || !strcmp(rest, "-");
        log_to(file);
    } else {
        good = mechanics_command(text);
    }
    puts(good ? "ok" : "what?");
    fflush(stdout);
}

static void read_commands(void)
{
    static char text[4096];
    static size_t length;
    ssize_t got = read(0, text + length, sizeof text - 1 - length);
    char *end;

    if (got == 0)
        exit(0); /* whoever started this is gone */
    if (got > 0)
        length += (size_t)got;
    text[length] = 0;
    while ((end = strchr(text, '\n'))) {
        *end = 0;
        command(text);
        length -= (size_t)(end + 1 - text);
        memmove(text, end + 1, length + 1);
    }
}

/* -- time ------------------------------------------------------------------------------------- */

static int64_t wall_ns(void)
{
    struct timespec time;

    clock_gettime(CLOCK_MONOTONIC, &time);
    return time.tv_sec * 1000000000ll + time.tv_nsec;
}

/* Milliseconds to wait before the next slice may run; 0 to run now, -1 to wait for input. */
static int pause_ms(void)
{
    int64_t ahead;

    if (pace == FREE)
        return 0;
    if (pace == DEMAND)
        return now() < granted || elapse_until != NEVER ? 0 : -1;
    ahead = origin + (int64_t)(now() / 2 * 125) - wall_ns(); /* a cycle is 62.5 ns */
    if (origin == 0 || ahead < -LATE_NS) {
        origin -= ahead;
        return 0;
    }
    return ahead <= 0 ? 0 : (int)(ahead / 1000000) + 1;
}

int main(int argc, char **argv)
{
    char text[256];
    FILE *description;
    avr_io_t *io;

    if (argc != 4 || !(description = fopen(argv[3], "r"))) {
        fprintf(stderr, "usage: runner ELF MCU DESCRIPTION\n");
        return 1;
    }
    while (fgets(text, sizeof text, description))
        if (text[0] != '\n' && !mechanics_line(text)) {
            fprintf(stderr, "runner: a line that makes no sense: %s\n", text);
            return 1;
        }
    fclose(description);
    if (elf_read_firmware(argv[1], &firmware) || !(avr = avr_make_mcu_by_name(argv[2]))) {
        fprintf(stderr, "runner: can't load %s for %s\n", argv[1], argv[2]);
        return 1;
    }
    firmware.frequency = HZ;
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_ERROR;
    avr->sleep = sleeping;
    for (io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == '0')
            uart = (avr_uart_t *)io;
    uart->flags = 0;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_went, NULL);
    mechanics_attach(avr);
    after_reset();
    puts(open_line());
    fflush(stdout);
    fcntl(0, F_SETFL, O_NONBLOCK);
    for (;;) {
        int pause = pause_ms();
        struct pollfd inputs[] = {{0, POLLIN, 0}, {line, in_count < sizeof incoming ? POLLIN : 0, 0}};

        poll(inputs, 2, pause);
        exchange();
        read_commands();
        if (pause_ms() == 0) {
            uint64_t end = now() + SLICE;

            if (elapse_until < end)
                end = elapse_until;
            run_until(end);
            exchange();
            if (now() >= elapse_until) {
                elapse_until = NEVER;
                puts("ok");
                fflush(stdout);
            }
        }
    }
}
