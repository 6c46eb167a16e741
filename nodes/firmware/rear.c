/* rear.c: the rear node of a van, in plain C for board.h.
 *
 * It switches ten feeds. Some follow a switch of their own, some a request from the bus, some both.
 * What each does when its request stays away stands in the table `loads`: lamps that others must
 * see are lit when in doubt, what may hurt somebody or empty the battery is off.
 *
 * The loop runs every 2 ms and waits for nothing else:
 *     read frames, work out every output, send the heartbeat when it is due, feed the watchdog.
 * Times are differences of the 32-bit millisecond counter, so its roll-over does no harm.
 */
#include "board.h"

enum { /* pins */
    TAIL_LEFT = 2, TAIL_RIGHT, PLATE_LAMP, BRAKE_LAMPS, REVERSE_LAMPS, INDICATOR_LEFT,
    INDICATOR_RIGHT, FUEL_PUMP, INTERIOR_LAMP, SOCKET,
    BRAKE_PEDAL = 14, REVERSE_GEAR, IGNITION_ON, HAZARD, OIL_PRESSURE, CRASH
};

enum { /* times in ms */
    LOOP_MS = 2, WATCHDOG_MS = 200, STATUS_MS = 100, RECOVER_AFTER_MS = 50, OLD_MS = 10,
    CYCLE_MS = 660, LIT_MS = 330, IN_STEP_MS = 30, SHORTEN_MS = 130, LENGTHEN_MS = 260,
    LOOK_MS = 100, FADE_MS = 500
};

/* ---- the messages that this node listens to */

enum { LAMP, BODY, ENGINE, LINKS, NOBODY };
enum link_state { WAITING, FRESH, LOST };

struct link {
    uint16_t id;
    uint8_t length, max_step; /* the counter may move by the periods in stale_ms */
    uint16_t stale_ms;
    enum link_state state;
    bool counted;             /* `count` is that of the last good frame */
    uint8_t count, good;      /* good frames in a row since the link was lost */
    uint32_t heard_ms, lost_ms;
    uint8_t data[8];
};

static struct link links[LINKS] = {
    [LAMP] = {.id = 0x0A0, .length = 4, .max_step = 5, .stale_ms = 250},
    [BODY] = {.id = 0x0D0, .length = 3, .max_step = 5, .stale_ms = 250},
    [ENGINE] = {.id = 0x0C0, .length = 2, .max_step = 5, .stale_ms = 500},
};

/* CRC-8 of SAE J1850: polynomial 0x1D, start value 0xFF, result inverted. It runs over the
 * identifier, high byte first, and the payload behind the checksum in byte 0. */
static uint8_t crc8(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ 0x1D : crc << 1);
    return crc;
}

static uint8_t checksum(const struct board_frame *frame)
{
    uint8_t crc = crc8(crc8(0xFF, (uint8_t)(frame->id >> 8)), (uint8_t)frame->id);
    for (uint8_t i = 1; i < frame->length; i++)
        crc = crc8(crc, frame->data[i]);
    return crc ^ 0xFF;
}

static bool intact(const struct link *link, const struct board_frame *frame)
{
    return frame->id == link->id && !frame->extended && !frame->remote
        && frame->length == link->length && frame->data[0] == checksum(frame);
}

/* A frame counts if its counter has moved, but not too far. After a silence it takes two in a row:
 * one alone may come from a sender that repeats itself for ever. */
static void take(struct link *link, const struct board_frame *frame, uint32_t now_ms)
{
    uint8_t count = frame->data[1] & 0x0F;
    uint8_t step = (uint8_t)(count - link->count) & 0x0F;
    if (link->counted && (step == 0 || step > link->max_step))
        return;
    link->counted = true;
    link->count = count;
    link->heard_ms = now_ms;
    if (link->state == LOST && ++link->good < 2)
        return;
    link->state = FRESH;
    for (uint8_t i = 0; i < link->length; i++)
        link->data[i] = frame->data[i];
}

static void watch(struct link *link, uint32_t now_ms)
{
    if (now_ms - link->heard_ms < link->stale_ms)
        return;
    link->counted = false;
    link->good = 0;
    if (link->state != LOST) {
        link->state = LOST;
        link->lost_ms = now_ms;
    }
}

/* ---- the flash cycle: a clock of its own, trimmed in the dark phase towards that of the dash */

enum { FLASH_TIME_NONE = 255, FLASH_TIME_UNIT_MS = 5 };

static struct {
    bool running, lit, dash_flashes;
    uint32_t began_ms, dash_began_ms;
    uint16_t wait_ms; /* from `began_ms` to the next edge */
} flash;

static void hear_dash(uint32_t now_ms)
{
    uint8_t time = links[LAMP].data[3];
    flash.dash_flashes = links[LAMP].state == FRESH && time != FLASH_TIME_NONE;
    if (flash.dash_flashes && links[LAMP].heard_ms == now_ms)
        flash.dash_began_ms = now_ms - time * FLASH_TIME_UNIT_MS;
}

static int16_t trim_ms(void)
{
    int32_t late_ms = (int32_t)(flash.began_ms - flash.dash_began_ms) % CYCLE_MS; /* either sign */
    if (late_ms < 0)
        late_ms += CYCLE_MS;
    if (!flash.dash_flashes || late_ms <= IN_STEP_MS || late_ms >= CYCLE_MS - IN_STEP_MS)
        return 0;
    if (late_ms <= SHORTEN_MS)
        return (int16_t)-late_ms;
    return CYCLE_MS - late_ms < LENGTHEN_MS ? (int16_t)(CYCLE_MS - late_ms) : LENGTHEN_MS;
}

static void keep_flashing(bool wanted, uint32_t now_ms)
{
    if (!wanted) {
        flash.running = flash.lit = false;
    } else if (!flash.running) { /* the first lamp flashes: fall in with the dash */
        uint32_t phase_ms = flash.dash_flashes ? (now_ms - flash.dash_began_ms) % CYCLE_MS : 0;
        flash.running = true;
        flash.lit = phase_ms < LIT_MS;
        flash.began_ms = now_ms - phase_ms;
        flash.wait_ms = flash.lit ? LIT_MS : CYCLE_MS;
    } else if (now_ms - flash.began_ms >= flash.wait_ms) {
        flash.lit = !flash.lit;
        if (flash.lit)
            flash.began_ms = now_ms;
        flash.wait_ms = flash.lit ? LIT_MS : (uint16_t)(CYCLE_MS + trim_ms());
    }
}

/* ---- the outputs */

enum without { OFF, ON, HOLD };
enum failure { NONE, WHILE_OFF, WHILE_ON };

struct load {
    uint8_t pin, link, byte, bit;  /* who asks: a bit of a message, or nobody */
    enum without stale;            /* while the link is lost */
    bool reset;                    /* until the first message */
    bool flashes;
    uint16_t hold_ms;              /* HOLD ends after so long; 0: never */
    uint8_t local, local_too;      /* pins that switch it on, both together; 0: none */
    bool stops_in_crash;           /* then it is off until the ignition has been off */
    bool fades;                    /* it takes FADE_MS to go out */
    uint16_t least_ma;             /* less while it is on: it has failed; 0: nobody looks */
    bool given_up;
    bool on, doubtful;             /* its pin; the last look found the current wrong */
    uint8_t duty;                  /* of its pin: 255 is on */
    uint32_t asked_ms;             /* when it was asked for last */
    enum failure failed;
};

static struct load loads[] = {
    {.pin = TAIL_LEFT, .link = LAMP, .byte = 1, .bit = 4, .stale = ON, .reset = true,
     .least_ma = 200},
    {.pin = TAIL_RIGHT, .link = LAMP, .byte = 1, .bit = 4, .stale = ON, .reset = true,
     .least_ma = 200},
    {.pin = PLATE_LAMP, .link = LAMP, .byte = 1, .bit = 4, .stale = ON, .reset = true,
     .least_ma = 200},
    {.pin = BRAKE_LAMPS, .link = NOBODY, .local = BRAKE_PEDAL,
     .least_ma = 1500},
    {.pin = REVERSE_LAMPS, .link = NOBODY, .local = REVERSE_GEAR, .local_too = IGNITION_ON,
     .least_ma = 1500},
    {.pin = INDICATOR_LEFT, .link = LAMP, .byte = 2, .bit = 0, .flashes = true, .local = HAZARD,
     .least_ma = 800},
    {.pin = INDICATOR_RIGHT, .link = LAMP, .byte = 2, .bit = 1, .flashes = true, .local = HAZARD,
     .least_ma = 800},
    {.pin = FUEL_PUMP, .link = ENGINE, .byte = 1, .bit = 5, .local = OIL_PRESSURE,
     .local_too = IGNITION_ON, .stops_in_crash = true, .least_ma = 2000},
    {.pin = INTERIOR_LAMP, .link = BODY, .byte = 1, .bit = 7, .stale = HOLD, .hold_ms = 800,
     .fades = true, .least_ma = 100},
    {.pin = SOCKET, .link = BODY, .byte = 2, .bit = 0},
};
enum { LOADS = sizeof loads / sizeof *loads };

static bool asked(struct load *load, uint32_t now_ms)
{
    if (load->link == NOBODY)
        return false;
    const struct link *link = &links[load->link];
    if (link->state == WAITING)
        return load->reset;
    if (link->state == FRESH)
        load->given_up = false;
    else if (load->hold_ms && now_ms - link->lost_ms >= load->hold_ms)
        load->given_up = true;
    if (link->state == LOST && load->stale != HOLD)
        return load->stale == ON;
    return !load->given_up && (link->data[load->byte] >> load->bit & 1);
}

static bool wanted(struct load *load, uint32_t now_ms)
{
    if (load->local && board_pin_read(load->local)
        && (!load->local_too || board_pin_read(load->local_too)))
        return true;
    return asked(load, now_ms);
}

static bool cut_off; /* by a crash */

static void watch_crash(void)
{
    if (board_pin_read(CRASH))
        cut_off = true;
    else if (!board_pin_read(IGNITION_ON))
        cut_off = false;
}

static uint8_t duty(struct load *load, bool on, uint32_t now_ms)
{
    if (on)
        load->asked_ms = now_ms;
    uint32_t dark_ms = now_ms - load->asked_ms;
    if (on || !load->fades || !load->duty || dark_ms >= FADE_MS)
        return on ? 255 : 0;
    return (uint8_t)((FADE_MS - dark_ms) * 255 / FADE_MS);
}

static void switch_loads(uint32_t now_ms)
{
    bool on[LOADS], flashing = false;
    watch_crash();
    for (uint8_t i = 0; i < LOADS; i++) {
        on[i] = wanted(&loads[i], now_ms) && !(cut_off && loads[i].stops_in_crash);
        flashing |= on[i] && loads[i].flashes;
    }
    keep_flashing(flashing, now_ms);
    for (uint8_t i = 0; i < LOADS; i++) {
        uint8_t level = duty(&loads[i], on[i] && (flash.lit || !loads[i].flashes), now_ms);
        if (level != loads[i].duty)
            loads[i].doubtful = false;
        loads[i].duty = level;
        loads[i].on = level > 0;
        board_pwm_write(loads[i].pin, level);
    }
}

/* ---- what the current tells: a blown fuse, a broken lead, a relay that stays closed */

enum { NOTHING_MA = 100, WORKS_FROM_MV = 9000 };

static uint32_t looked_ms;

/* Two looks at one level of the pin that both find it wrong make a failure: the first may come
 * before a lamp is warm or a relay has moved. Two that find it right end one: a switch that tries
 * again drives its short for a moment. */
static void look_at(struct load *load)
{
    uint16_t ma = board_output_ma(load->pin);
    enum failure here = load->on ? WHILE_ON : WHILE_OFF;
    if (ma == BOARD_NOT_SENSED)
        return;
    bool wrong = load->on ? ma < load->least_ma : ma > NOTHING_MA;
    if (wrong && load->doubtful)
        load->failed = here;
    else if (!wrong && !load->doubtful && load->failed == here)
        load->failed = NONE;
    load->doubtful = wrong;
}

static void look_at_currents(uint32_t now_ms)
{
    if (now_ms - looked_ms < LOOK_MS)
        return;
    looked_ms = now_ms;
    if (board_supply_mv() >= WORKS_FROM_MV)
        for (uint8_t i = 0; i < LOADS; i++)
            if (loads[i].least_ma)
                look_at(&loads[i]);
}

/* ---- the heartbeat, and the way back from bus-off */

static struct {
    uint32_t due_ms, second_ms, refused_ms;
    bool refused, came_back;
    uint8_t count, running_s;
} status;

static struct board_frame life_sign(void)
{
    bool lost = false, failed = false;
    for (uint8_t i = 0; i < LINKS; i++)
        lost |= links[i].state != FRESH;
    for (uint8_t i = 0; i < LOADS; i++)
        failed |= loads[i].failed != NONE;
    struct board_frame frame = {.id = 0x202, .length = 4};
    frame.data[1] = (uint8_t)(status.count | lost << 4 | status.came_back << 5 | failed << 6);
    frame.data[2] = (uint8_t)(board_supply_mv() / 100);
    frame.data[3] = status.running_s;
    frame.data[0] = checksum(&frame);
    return frame;
}

/* What the controller does not take is built anew at the next try: nothing old is ever sent. */
static void refused(enum board_can_result why, uint32_t now_ms)
{
    if (!status.refused) {
        status.refused = true;
        status.refused_ms = now_ms;
    } else if (why == BOARD_CAN_IS_BUS_OFF && now_ms - status.refused_ms >= RECOVER_AFTER_MS) {
        board_can_recover();
        status.came_back = true;
        status.refused = false;
    } else if (why == BOARD_CAN_FULL && now_ms - status.refused_ms >= OLD_MS) {
        board_can_abort();
        status.refused = false;
    }
}

static void send_life_sign(uint32_t now_ms)
{
    if (now_ms - status.second_ms >= 1000) {
        status.second_ms += 1000;
        status.running_s += status.running_s < 255;
    }
    if ((int32_t)(now_ms - status.due_ms) < 0)
        return;
    struct board_frame frame = life_sign();
    enum board_can_result result = board_can_send(&frame);
    if (result != BOARD_CAN_OK) {
        refused(result, now_ms);
        return;
    }
    status.refused = false;
    status.count = (status.count + 1) & 0x0F;
    status.due_ms = now_ms + STATUS_MS;
}

/* ---- the program */

void setup(void)
{
    uint32_t now_ms = board_ms();
    for (uint8_t i = 0; i < LINKS; i++) {
        links[i].heard_ms = now_ms;
        board_can_filter(links[i].id, 0x7FF, false);
    }
    status.due_ms = status.second_ms = looked_ms = now_ms;
    switch_loads(now_ms); /* the levels first, then the pins: no output twitches */
    for (uint8_t i = 0; i < LOADS; i++)
        board_pin_mode(loads[i].pin, BOARD_OUTPUT);
    board_watchdog_start(WATCHDOG_MS);
}

void loop(void)
{
    uint32_t now_ms = board_ms();
    struct board_frame frame;
    while (board_can_receive(&frame))
        for (uint8_t i = 0; i < LINKS; i++)
            if (intact(&links[i], &frame))
                take(&links[i], &frame, now_ms);
    for (uint8_t i = 0; i < LINKS; i++)
        watch(&links[i], now_ms);
    hear_dash(now_ms);
    switch_loads(now_ms);
    look_at_currents(now_ms);
    send_life_sign(now_ms);
    board_watchdog_feed();
    board_delay_ms(LOOP_MS);
}
