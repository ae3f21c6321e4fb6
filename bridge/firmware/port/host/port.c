/* Port to a POSIX process: the serial line is a pty, whose name is printed at the start; the motors are plant.c.
 *
 * Usage: board [SPEED [waits]]   runs SPEED times faster than the wall clock (1); with `waits` its time goes on only
 * as long as `go` asks for, and for a moment after bytes have come, so that it misses nobody who is held up.
 * Lines on stdin: those of plant.h, and
 *   reset    press the board's reset button
 *   time     print the board's time in seconds
 *   positions   print for every channel its pointer's position and the steps its motor made
 *   go SECONDS   let this much of the board's time go by (with `waits`)
 *   lamps    print the level of every lamp
 *   quit     (so does the end of stdin)
 * The firmware runs in a child process, so that a reset is what it is on a chip: everything begins anew but
 * the plant.
 */
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "firmware.h"
#include "line.h"
#include "port.h"
#include "steps.h"
#include "plant.h"

#define MOST_OWED (500000 / SLOT_US) /* half a second */
#define ANSWER_SLOTS (20000 / SLOT_US) /* enough to take up a frame and answer it */

struct shared {
    struct plant plant;
    uint16_t lamps[LAMPS + 1]; /* their levels */
    uint64_t slots; /* of the board's time since it was switched on */
    uint64_t asked; /* with `waits`: `go` lets its time reach this */
};

static struct shared *shared;
static int line;
static double speed = 1.0;
static bool waits;
static pid_t parent;
static uint8_t levels[CHANNELS];
static struct step planned[CHANNELS];
static uint8_t planned_count;

/* -- the port --------------------------------------------------------------------------------------------- */

void port_start(void)
{
}

uint8_t port_lock(void)
{
    return 0; /* nothing interrupts: slots go by between two passes */
}

void port_unlock(uint8_t before)
{
    (void)before;
}

bool port_input(uint8_t pin)
{
    return plant_level(&shared->plant, pin);
}

static void pins(uint8_t channel, uint8_t now)
{
    plant_pins(&shared->plant, channel, levels[channel], now);
    levels[channel] = now;
}

void port_step(uint8_t channel, bool clockwise)
{
    uint8_t direction = clockwise ? 2 : 0;

    pins(channel, direction);
    pins(channel, direction | 1);
    pins(channel, direction);
}

void port_coils(uint8_t channel, uint8_t now)
{
    pins(channel, now);
}

void port_enable(uint8_t channel, bool on)
{
    (void)channel;
    (void)on;
}

void port_pulse(uint8_t channel, uint16_t half_us)
{
    (void)channel;
    (void)half_us;
}

void port_lamp(uint8_t number, uint16_t level)
{
    shared->lamps[number] = level;
}

void port_transmit(void)
{
}

static void transmit(void)
{
    uint8_t bytes[256], byte;
    size_t count = 0;

    while (count < sizeof bytes && line_next(&byte))
        bytes[count++] = byte;
    /* Nobody reads: the line is full and bytes are lost, as on a wire. */
    if (count && write(line, bytes, count) < 0)
        return;
}

void port_idle(void)
{
    transmit();
}

/* -- the child: the board --------------------------------------------------------------------------------- */

static double now_s(void)
{
    struct timespec time;

    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec * 1e-9;
}

static void advance_slot(void)
{
    uint8_t i;

    for (i = 0; i < planned_count; i++)
        steps_make(&planned[i]);
    planned_count = steps_plan(planned);
    shared->slots++;
}

static void run(void)
{
    double last_s = now_s(), due = 0.0;
    uint64_t answered = 0;
    uint8_t bytes[64];

    port_start();
    firmware_start();
    for (;;) {
        struct pollfd wait = {line, POLLIN, 0};
        ssize_t count = 0, i;
        double time_s;

        poll(&wait, 1, 1);
        if (getppid() != parent)
            _exit(0); /* killed: nobody is there to switch the board off */
        if (wait.revents & POLLIN)
            count = read(line, bytes, sizeof bytes);
        for (i = 0; i < count; i++)
            line_received(bytes[i]);
        firmware_pass();
        time_s = now_s();
        due += (time_s - last_s) * speed * 1e6 / SLOT_US;
        last_s = time_s;
        if (waits) {
            uint64_t until;

            if (count > 0)
                answered = shared->slots + ANSWER_SLOTS;
            until = answered > shared->asked ? answered : shared->asked;
            if (until < shared->slots + (uint64_t)due)
                due = until > shared->slots ? (double)(until - shared->slots) : 0.0;
        } else if (due > MOST_OWED) { /* held up by the machine: the board's time falls behind */
            steps_lose_slots((uint16_t)(due - MOST_OWED));
            due = MOST_OWED;
        }
        for (; due >= 1.0; due -= 1.0) {
            advance_slot();
            firmware_pass();
        }
    }
}

/* -- the parent: line, plant, reset button ---------------------------------------------------------------- */

static pid_t start_board(void)
{
    pid_t child = fork();

    if (child == 0)
        run();
    return child;
}

static void positions(void)
{
    uint8_t i;

    for (i = 0; i < CHANNELS; i++)
        printf("%s%ld %ld", i ? " " : "", (long)shared->plant.motors[i].position, (long)shared->plant.motors[i].made);
    printf("\n");
}

static void lamps(void)
{
    uint8_t i;

    for (i = 0; i != LAMPS; i++)
        printf("%s%u", i ? " " : "", shared->lamps[i]);
    printf("\n");
}

static int open_line(void)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY), slave;
    struct termios raw;
    const char *name;

    if (master < 0 || grantpt(master) || unlockpt(master) || !(name = ptsname(master)))
        return -1;
    slave = open(name, O_RDWR | O_NOCTTY); /* stays open, so that the line outlives its hosts */
    if (slave < 0 || tcgetattr(slave, &raw))
        return -1;
    raw.c_iflag = raw.c_oflag = raw.c_lflag = 0;
    raw.c_cflag = CS8 | CREAD | CLOCAL;
    if (tcsetattr(slave, TCSANOW, &raw))
        return -1;
    fcntl(master, F_SETFL, O_NONBLOCK);
    printf("%s\n", name);
    fflush(stdout);
    return master;
}

int main(int argc, char **argv)
{
    char text[128];
    pid_t child;

    if (argc > 1)
        speed = strtod(argv[1], NULL);
    waits = argc > 2 && !strcmp(argv[2], "waits");
    shared = mmap(NULL, sizeof *shared, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    line = open_line();
    if (shared == MAP_FAILED || line < 0 || speed <= 0.0) {
        perror("board");
        return 1;
    }
    parent = getpid();
    plant_start(&shared->plant);
    child = start_board();
    while (fgets(text, sizeof text, stdin) && strcmp(text, "quit\n")) {
        if (!strcmp(text, "reset\n")) {
            kill(child, SIGKILL);
            waitpid(child, NULL, 0);
            child = start_board();
        } else if (!strcmp(text, "time\n")) {
            printf("%.6f\n", (double)shared->slots * SLOT_US * 1e-6);
        } else if (!strcmp(text, "positions\n")) {
            positions();
        } else if (!strncmp(text, "go ", 3)) {
            shared->asked = shared->slots + (uint64_t)(strtod(text + 3, NULL) * 1e6 / SLOT_US);
        } else if (!strcmp(text, "lamps\n")) {
            lamps();
        } else if (!plant_obey(&shared->plant, text)) {
            fprintf(stderr, "not understood: %s", text);
        }
        fflush(stdout);
    }
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    return 0;
}
