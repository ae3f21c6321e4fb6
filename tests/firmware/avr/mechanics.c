#include "mechanics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <avr_ioport.h>
#include <avr_timer.h>

#include "contacts.h"
#include "pins.h"

/* Coils see a change of several pins as one: they are written within this time (bytes may come between them),
 * and a coil's current needs far longer to follow (common practice, no source). */
#define SETTLE (60 * US)

#define ARRIVED (10000 * US) /* how long a motor needs its current to get to its last step and to come to rest there */

enum kind { NONE, STEP_DIR, FOUR_WIRE, GAUGE_STEPPER, SERVO, LAMP };

struct rotor {
    enum kind kind;
    int channel, wires;
    struct pin pins[4], index, stop;
    bool index_high, stop_high, index_dead, stop_dead, reversed;
    double turn, width, low, high, offset;
    int levels, state;        /* of the pins; of the field, -1 without current */
    int64_t walk;             /* field's steps since power-on */
    uint64_t edge, last_step, dir_edge, step_edge;
    uint64_t steps, jumps, snaps, cuts, pulses;
    uint64_t shortest_interval, shortest_pulse, shortest_setup, pulse;
    bool waiting, enabled;
    uint64_t lit, since; /* cycles that a lamp's pin was high until then */
    avr_timer_t *timer; /* of a servo or a dimmed lamp, and its compare output */
    int output;
};

static struct rotor rotors[CHANNELS];
static FILE *log_file;

void log_to(FILE *file)
{
    if (log_file)
        fclose(log_file);
    log_file = file;
}

void log_event(uint64_t cycle, int kind, int value)
{
    uint64_t record = cycle << 16 | (uint64_t)kind << 8 | (uint64_t)value;

    if (log_file)
        fwrite(&record, sizeof record, 1, log_file);
}

/* -- servo outputs ---------------------------------------------------------------------------- */

/* simavr 1.6: a write to a port also writes the pins that a timer drives, with the port's own bit. So a servo's
 * pin is watched where the timer drives it. */
static void find_output(struct rotor *rotor)
{
    struct pin *pin = &rotor->pins[0];
    avr_io_addr_t port = 0;
    avr_io_t *io;
    int output;

    for (io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "port") && ((avr_ioport_t *)io)->name == pin->port)
            port = ((avr_ioport_t *)io)->r_port;
    for (io = avr->io_port; io; io = io->next) {
        avr_timer_t *timer = (avr_timer_t *)io;

        if (strcmp(io->kind, "timer"))
            continue;
        for (output = 0; output < AVR_TIMER_COMP_COUNT; output++)
            if (timer->comp[output].com_pin.reg == port && timer->comp[output].com_pin.bit == pin->bit) {
                rotor->timer = timer;
                rotor->output = output;
                pin->irq = &io->irq[TIMER_IRQ_OUT_COMP + output];
            }
    }
}

/* simavr 1.6 does not notice in fast PWM mode that a compare register changed. A real timer takes its new value
 * when it starts anew: which is now, for it has just set its output, and has yet to ask when to clear it. */
static void latch(const struct rotor *rotor)
{
    avr_timer_comp_t *compare = &rotor->timer->comp[rotor->output];

    compare->comp_cycles =
        (uint64_t)rotor->timer->cs_div_value *
        ((avr->data[compare->r_ocr] | (compare->r_ocrh ? avr->data[compare->r_ocrh] << 8 : 0)) + 1u);
}

/* -- the pointer ------------------------------------------------------------------------------ */

static double place(const struct rotor *rotor)
{
    double field = (double)(rotor->reversed ? -rotor->walk : rotor->walk) + rotor->offset;

    return fmin(fmax(field, rotor->low), rotor->high);
}

static void show_sensors(struct rotor *rotor)
{
    double at = place(rotor);

    if (rotor->index.port) {
        bool here = !rotor->index_dead && at - floor(at / rotor->turn) * rotor->turn < rotor->width;

        pin_drive(&rotor->index, here == rotor->index_high);
    }
    if (rotor->stop.port)
        pin_drive(&rotor->stop, (at <= 0 && !rotor->stop_dead) == rotor->stop_high);
}

/* A rotor that its stop holds back lags behind the field until the next pole attracts it: it hops back by one
 * electrical cycle. */
static void hop(struct rotor *rotor, int cycle)
{
    double field = (double)(rotor->reversed ? -rotor->walk : rotor->walk) + rotor->offset;

    if (field < rotor->low - cycle / 2.0)
        rotor->offset += cycle;
    else if (field > rotor->high + cycle / 2.0)
        rotor->offset -= cycle;
}

static void step(struct rotor *rotor, int by, uint64_t cycle)
{
    uint64_t interval = cycle - rotor->last_step;

    if (rotor->steps && interval < rotor->shortest_interval)
        rotor->shortest_interval = interval;
    rotor->last_step = cycle;
    rotor->steps++;
    rotor->walk += by;
    log_event(cycle, LOG_STEP + rotor->channel, by > 0);
    if (rotor->kind != STEP_DIR)
        hop(rotor, rotor->kind == FOUR_WIRE ? 8 : 6);
    show_sensors(rotor);
}

/* -- coils ------------------------------------------------------------------------------------ */

/* Where the field of these levels points: half steps of 45 degrees for coils at 0, 90, 180 and 270 degrees;
 * steps of 60 degrees for two coils that are 60 degrees apart. -1 for no field. */
static int field(const struct rotor *rotor)
{
    static const int quarters[3][3] = {{5, 4, 3}, {6, -1, 2}, {7, 0, 1}}; /* [x + 1][y + 1] */
    static const int sixths[3][3] = {{-1, 3, 4}, {2, -1, 5}, {1, 0, -1}}; /* [coil 1 + 1][coil 2 + 1] */
    int l = rotor->levels, a = l & 1, b = l >> 1 & 1, c = l >> 2 & 1, d = l >> 3 & 1;

    return rotor->kind == FOUR_WIRE ? quarters[a - c + 1][b - d + 1] : sixths[a - b + 1][c - d + 1];
}

static avr_cycle_count_t coils_settled(avr_t *unused, avr_cycle_count_t when, void *param)
{
    struct rotor *rotor = param;
    int cycle = rotor->kind == FOUR_WIRE ? 8 : 6, state = field(rotor), by;

    (void)unused;
    (void)when;
    rotor->waiting = false;
    if (state < 0 || state == rotor->state) {
        if (state < 0 && rotor->enabled && rotor->edge - rotor->last_step < ARRIVED)
            rotor->cuts++;
        rotor->enabled = state >= 0;
        return 0; /* without current the rotor stays where it is */
    }
    by = ((state - rotor->state) % cycle + cycle + cycle / 2) % cycle - cycle / 2;
    rotor->state = state;
    if (!rotor->enabled) {
        rotor->enabled = true;
        if (by) { /* pulled to a field that is not where the rotor was left */
            rotor->snaps++;
            rotor->offset += rotor->reversed ? -by : by;
            show_sensors(rotor);
        }
        return 0;
    }
    if (by == 1 || by == -1) {
        step(rotor, by, rotor->edge);
    } else {
        rotor->jumps++;
        rotor->walk += by;
        show_sensors(rotor);
    }
    return 0;
}

static void coil_changed(avr_irq_t *irq, uint32_t value, void *param)
{
    struct rotor *rotor = param;
    int wire;

    for (wire = 0; wire < 4 && rotor->pins[wire].irq != irq; wire++)
        ;
    if ((rotor->levels >> wire & 1) == (int)(value & 1))
        return;
    rotor->levels ^= 1 << wire;
    if (!rotor->waiting) {
        rotor->waiting = true;
        rotor->edge = now();
        avr_cycle_timer_register(avr, SETTLE, coils_settled, rotor);
    }
}

/* -- step/dir drivers and servos -------------------------------------------------------------- */

static void driver_changed(avr_irq_t *irq, uint32_t value, void *param)
{
    struct rotor *rotor = param;
    int wire = irq == rotor->pins[0].irq ? 0 : irq == rotor->pins[1].irq ? 1 : 2;
    uint64_t cycle = now();

    value &= 1;
    if ((rotor->levels >> wire & 1) == (int)value)
        return;
    rotor->levels ^= 1 << wire;
    if (wire == 1) {
        rotor->dir_edge = cycle;
    } else if (wire == 0 && value) {
        rotor->step_edge = cycle;
        if (cycle - rotor->dir_edge < rotor->shortest_setup)
            rotor->shortest_setup = cycle - rotor->dir_edge;
        if (!rotor->pins[2].port || !(rotor->levels & 4))
            step(rotor, rotor->levels & 2 ? 1 : -1, cycle);
    } else if (wire == 0 && cycle - rotor->step_edge < rotor->shortest_pulse) {
        rotor->shortest_pulse = cycle - rotor->step_edge;
    }
}

static void pulse_changed(avr_irq_t *irq, uint32_t value, void *param)
{
    struct rotor *rotor = param;
    uint64_t cycle = now();

    (void)irq;
    value &= 1;
    if (rotor->levels == (int)value)
        return;
    rotor->levels = (int)value;
    log_event(cycle, LOG_PULSE + rotor->channel, (int)value);
    if (value) {
        rotor->step_edge = cycle;
        latch(rotor);
    } else if (rotor->step_edge) {
        rotor->pulse = cycle - rotor->step_edge;
        rotor->pulses++;
    }
}

/* -- lamps ------------------------------------------------------------------------------------ */

static void lamp_until(struct rotor *rotor, uint64_t cycle)
{
    if (rotor->levels)
        rotor->lit += cycle - rotor->since;
    rotor->since = cycle;
}

static void lamp_changed(avr_irq_t *irq, uint32_t value, void *param)
{
    struct rotor *rotor = param;
    uint64_t cycle = now();

    (void)irq;
    value &= 1;
    if (rotor->levels == (int)value)
        return;
    lamp_until(rotor, cycle);
    rotor->levels = (int)value;
    log_event(cycle, LOG_PULSE + rotor->channel, (int)value);
    if (value && rotor->timer)
        latch(rotor);
}

/* simavr 1.6 does not tell when a timer lets go of its pin, which has the port's own level from then on. */
static uint64_t lit(struct rotor *rotor)
{
    lamp_until(rotor, now());
    if (rotor->timer) {
        const avr_timer_comp_t *compare = &rotor->timer->comp[rotor->output];

        if (!avr_regbit_get_array(avr, &rotor->timer->comp[rotor->output].com, 1))
            rotor->levels = avr->data[compare->com_pin.reg] >> compare->com_pin.bit & 1;
    }
    return rotor->lit;
}

/* -- description, commands -------------------------------------------------------------------- */

bool mechanics_line(char *line)
{
    char *words[10] = {NULL}, *what;
    int count = 0, n, i;
    struct rotor *rotor;

    for (what = strtok(line, " \t\n"); what && count < 10; what = strtok(NULL, " \t\n"))
        words[count++] = what;
    if (count < 2 || (n = atoi(words[1])) < 0 || n >= CHANNELS)
        return false;
    rotor = &rotors[n];
    rotor->channel = n;
    what = words[0];
    if (!strcmp(what, "rotor") && count >= 6) {
        rotor->kind = !strcmp(words[2], "step_dir") ? STEP_DIR : !strcmp(words[2], "four_wire") ? FOUR_WIRE : GAUGE_STEPPER;
        rotor->wires = rotor->kind == STEP_DIR ? 3 : 4;
        for (i = 0; i < rotor->wires; i++)
            rotor->pins[i] = pin_parse(words[3 + i]);
        rotor->low = -HUGE_VAL;
        rotor->high = HUGE_VAL;
    } else if (!strcmp(what, "servo") && count == 3) {
        rotor->kind = SERVO;
        rotor->wires = 1;
        rotor->pins[0] = pin_parse(words[2]);
    } else if (!strcmp(what, "lamp") && count == 3) {
        rotor->kind = LAMP;
        rotor->wires = 1;
        rotor->pins[0] = pin_parse(words[2]);
    } else if (!strcmp(what, "at") && count == 3) {
        rotor->offset = atof(words[2]);
    } else if (!strcmp(what, "reversed")) {
        rotor->reversed = true;
    } else if (!strcmp(what, "ends") && count == 4) {
        rotor->low = atof(words[2]);
        rotor->high = atof(words[3]);
    } else if (!strcmp(what, "index") && count == 7) {
        rotor->index = pin_parse(words[2]);
        rotor->index_high = !strcmp(words[3], "high");
        rotor->turn = atof(words[4]) / atof(words[5]);
        rotor->width = atof(words[6]);
    } else if (!strcmp(what, "stop") && count == 4) {
        rotor->stop = pin_parse(words[2]);
        rotor->stop_high = !strcmp(words[3], "high");
    } else if ((!strcmp(what, "knob") && count == 4) || (!strcmp(what, "button") && count == 3)) {
        contact_describe(n, words[2], words[3]);
    } else {
        return false;
    }
    return true;
}

void mechanics_attach(avr_t *chip)
{
    int n, wire;

    avr = chip;
    for (n = 0; n < CHANNELS; n++) {
        struct rotor *rotor = &rotors[n];

        rotor->shortest_interval = rotor->shortest_pulse = rotor->shortest_setup = UINT64_MAX;
        for (wire = 0; wire < rotor->wires; wire++) {
            pin_find(&rotor->pins[wire]);
            if (rotor->kind == SERVO || rotor->kind == LAMP)
                find_output(rotor);
            if (rotor->pins[wire].irq)
                avr_irq_register_notify(rotor->pins[wire].irq,
                                        rotor->kind == SERVO      ? pulse_changed
                                        : rotor->kind == LAMP     ? lamp_changed
                                        : rotor->kind == STEP_DIR ? driver_changed
                                                                  : coil_changed,
                                        rotor);
        }
        pin_find(&rotor->index);
        pin_find(&rotor->stop);
    }
    contacts_attach();
}

/* The chip's pins are inputs now and its cycle timers gone: no coil has current. */
void mechanics_reset(void)
{
    int n;

    for (n = 0; n < CHANNELS; n++) {
        struct rotor *rotor = &rotors[n];

        rotor->levels = 0;
        rotor->enabled = rotor->waiting = false;
        rotor->step_edge = 0;
        pin_forget(&rotor->index);
        pin_forget(&rotor->stop);
        show_sensors(rotor);
    }
    contacts_reset();
}

bool mechanics_command(const char *line)
{
    char what[16];
    int n, value = 0;
    struct rotor *rotor;

    if (sscanf(line, "%15s %d %d", what, &n, &value) < 2 || n < 0 || n >= CHANNELS)
        return false;
    rotor = &rotors[n];
    if (!strcmp(what, "lose")) {
        rotor->offset -= value;
    } else if (!strcmp(what, "index")) {
        rotor->index_dead = !value;
    } else if (!strcmp(what, "stop")) {
        rotor->stop_dead = !value;
    } else if (!strcmp(what, "knob")) {
        contact_turn(n, value);
    } else if (!strcmp(what, "press")) {
        contact_press(n);
    } else {
        return false;
    }
    show_sensors(rotor);
    return true;
}

static double us(uint64_t cycles)
{
    return cycles == UINT64_MAX ? -1.0 : (double)cycles / US;
}

void mechanics_print(FILE *out)
{
    const char *comma = "";
    int n;

    fputc('[', out);
    for (n = 0; n < CHANNELS; n++) {
        struct rotor *rotor = &rotors[n];

        if (rotor->kind == NONE)
            continue;
        fprintf(out,
                "%s{\"channel\": %d, \"walk\": %lld, \"place\": %.6f, \"steps\": %llu, \"jumps\": %llu, "
                "\"snaps\": %llu, \"cuts\": %llu, \"current\": %s, \"interval_us\": %.4f, \"step_us\": %.4f, "
                "\"setup_us\": %.4f, \"pulse_us\": %.4f, \"pulses\": %llu, \"lit\": %llu}",
                comma, n, (long long)(rotor->reversed ? -rotor->walk : rotor->walk),
                rotor->kind == SERVO ? us(rotor->pulse) : place(rotor), (unsigned long long)rotor->steps,
                (unsigned long long)rotor->jumps, (unsigned long long)rotor->snaps, (unsigned long long)rotor->cuts,
                (rotor->kind == STEP_DIR ? !(rotor->levels & 4) : rotor->enabled) ? "true" : "false",
                us(rotor->shortest_interval), us(rotor->shortest_pulse), us(rotor->shortest_setup),
                us(rotor->pulse), (unsigned long long)rotor->pulses, (unsigned long long)lit(rotor));
        comma = ", ";
    }
    fputs("]", out);
}
