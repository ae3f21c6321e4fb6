#include "motion.h"

/* One step/s is 65536 * 128e-6 = 8.388608 rates. */
#define RATES_PER_MEGA 8388608
/* One step/s^2 is 8.388608 * 2.048e-3 * 16 = 0.2748779 changes a tick. */
#define PUSHES_PER_MEGA 274878
/* Steps; no target covers more while it moves on. */
#define BEYOND (FASTEST_STEPS_S * (int32_t)CARRY_MS / 1000 + 10)

void motion_limit(struct motion *motion, uint16_t speed, uint32_t acceleration, int32_t low, int32_t high)
{
    uint32_t fastest = (uint32_t)((uint64_t)speed * RATES_PER_MEGA / 1000000);
    uint32_t push = (uint32_t)((uint64_t)acceleration * PUSHES_PER_MEGA / 1000000);
    uint64_t far;

    motion->fastest = (int16_t)(fastest > 32767 ? 32767 : fastest);
    motion->push = (uint16_t)(push > 65535 ? 65535 : push < 2 ? 2 : push);
    motion->brake = motion->push - (motion->push + 7) / 8;
    motion->near = (uint32_t)motion->brake << 6; /* b TAU^2 */
    far = (((uint64_t)motion->fastest * (uint16_t)motion->fastest) << 7) / motion->brake + motion->near / 2;
    motion->far = (uint32_t)(far > INT32_MAX ? INT32_MAX : far);
    motion->low = low;
    motion->high = high;
    motion->bounded = low != INT32_MIN || high != INT32_MAX;
}

static uint16_t square_root(uint32_t square)
{
    uint32_t root = 0, bit = (uint32_t)1 << 30;

    while (bit > square)
        bit >>= 2;
    for (; bit; bit >>= 2) {
        if (square >= root + bit) {
            square -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return (uint16_t)root;
}

/* The highest rate from which braking ends `distance` ahead. */
static int16_t brakable(const struct motion *motion, uint32_t distance)
{
    uint32_t square;
    uint16_t rate;

    if (distance >= motion->far)
        return motion->fastest;
    if (distance <= motion->near) {
        rate = (uint16_t)(distance >> TAU_SHIFT);
    } else {
        distance -= motion->near / 2;
        square = distance < 65536 ? (uint32_t)motion->brake * (uint16_t)distance >> 7 : motion->brake * (distance >> 7);
        rate = square_root(square);
    }
    return rate < (uint16_t)motion->fastest ? (int16_t)rate : motion->fastest;
}

/* As above, but odd in the distance. */
static int32_t closing(const struct motion *motion, int32_t distance)
{
    return distance < 0 ? -(int32_t)brakable(motion, (uint32_t)-distance) : brakable(motion, (uint32_t)distance);
}

int32_t motion_distance(struct position from, struct position to)
{
    int32_t whole = count_minus(to.count, from.count);

    if (whole > 32766)
        whole = 32766;
    if (whole < -32766)
        whole = -32766;
    return whole * 65536 + (int32_t)to.fraction - (int32_t)from.fraction;
}

int32_t motion_velocity(int16_t rate)
{
    return (int32_t)rate * 61 / 2; /* 1e6 / 128 / 256 */
}

void motion_follow(struct motion *motion, struct position goal, int32_t velocity)
{
    int32_t fastest = motion_velocity(motion->fastest);

    if (velocity > fastest)
        velocity = fastest;
    if (velocity < -fastest)
        velocity = -fastest;
    if (motion->bounded) { /* far beyond a stop it is all the same, and can move on without wrapping */
        if (goal.count > motion->high && (uint32_t)goal.count - (uint32_t)motion->high > BEYOND)
            goal.count = motion->high + BEYOND;
        if (goal.count < motion->low && (uint32_t)motion->low - (uint32_t)goal.count > BEYOND)
            goal.count = motion->low - BEYOND;
    }
    motion->goal = goal;
    motion->goal_rate = (int16_t)(velocity * 2147 / 65536);
    motion->carry_slots = CARRY_SLOTS;
    motion->follows = true;
}

void motion_run(struct motion *motion, int16_t rate)
{
    motion->goal_rate = rate;
    motion->follows = false;
}

static void carry(struct motion *motion, uint16_t slots)
{
    int32_t sum;

    if (motion->goal_rate == 0)
        return;
    if (slots >= motion->carry_slots)
        slots = motion->carry_slots;
    motion->carry_slots -= slots;
    sum = motion->goal.fraction + (int32_t)motion->goal_rate * slots;
    motion->goal.count = count_plus(motion->goal.count, sum >> 16);
    motion->goal.fraction = (uint16_t)sum;
    if (motion->carry_slots == 0)
        motion->goal_rate = 0;
}

/* Where the target is and how fast it moves, held within the stops. */
static struct position target(const struct motion *motion, int32_t *rate)
{
    struct position position = motion->goal;

    *rate = motion->goal_rate;
    if (motion->bounded && (position.count < motion->low || position.count >= motion->high)) {
        position.count = position.count < motion->low ? motion->low : motion->high;
        position.fraction = 0;
        *rate = 0;
    }
    return position;
}

bool motion_wants(const struct motion *motion, struct position position)
{
    int32_t rate, distance;

    if (!motion->follows)
        return motion->goal_rate != 0;
    distance = motion_distance(position, target(motion, &rate));
    return rate || distance > 32768 || distance < -32768;
}

/* From behind on a target that moves, as if the distance were 1 / CATCH_UP_DIVISOR of what it is. */
static int32_t catch_up(const struct motion *motion, int32_t distance, bool upward)
{
    int32_t near = (int32_t)motion->near;
    int32_t behind = upward ? distance : -distance;

    if (behind <= near)
        return distance;
    behind /= CATCH_UP_DIVISOR;
    if (behind < near)
        behind = near;
    return upward ? behind : -behind;
}

/* The rate that leads to the target, as far as the stops allow. */
static int32_t wanted_rate(const struct motion *motion, struct position position)
{
    int32_t wanted, distance;
    struct position end = target(motion, &wanted);

    distance = motion_distance(position, end);
    if (wanted)
        distance = catch_up(motion, distance, wanted > 0);
    wanted += closing(motion, distance);
    if (motion->bounded && wanted) {
        end.fraction = 0;
        end.count = wanted > 0 ? motion->high : motion->low;
        distance = closing(motion, motion_distance(position, end));
        if (wanted > 0)
            wanted = distance <= 0 ? 0 : wanted < distance ? wanted : distance;
        else
            wanted = distance >= 0 ? 0 : wanted > distance ? wanted : distance;
    }
    return wanted;
}

/* Whether the target is still and this near: the short cut for a pointer at rest. */
static bool arrived(const struct motion *motion, struct position position)
{
    uint16_t off = position.fraction - motion->goal.fraction;

    return motion->follows && motion->goal_rate == 0 && position.count == motion->goal.count &&
           (off < 1 << TAU_SHIFT || off > UINT16_MAX - (1 << TAU_SHIFT));
}

int16_t motion_tick(struct motion *motion, struct position position, uint16_t slots)
{
    int32_t wanted = motion->goal_rate, change, most;

    if (motion->rate == 0 && arrived(motion, position))
        return 0;
    if (slots > 4 * TICK_SLOTS)
        slots = 4 * TICK_SLOTS; /* the main loop was held up: better too slow than too fast */
    if (motion->follows) {
        carry(motion, slots);
        wanted = wanted_rate(motion, position);
    }
    if (wanted > motion->fastest)
        wanted = motion->fastest;
    if (wanted < -motion->fastest)
        wanted = -motion->fastest;
    change = wanted * 256 - motion->rate;
    most = (int32_t)motion->push * slots; /* 256 / 16 a tick of 16 slots */
    if (change > most)
        change = most;
    if (change < -most)
        change = -most;
    motion->rate += change;
    return (int16_t)(motion->rate / 256);
}
