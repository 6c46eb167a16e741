/* A node's program for board.h on real time, as a process of its own: its CAN adapter is a
 * pseudo-terminal with the text protocol of serial-line adapters, its pins are wires of the loom.
 *
 *   real_node LOOM BOOT_MS START_MS [out:PIN=WIRE[:default] | follow:PIN=WIRE,WIRE,.. | in:PIN=WIRE]..
 *
 * `default` is the duty of the wire while no program drives the pin; after `follow` the wire is high
 * then while all the wires named behind it are. START_MS is what the millisecond counter shows at
 * each start.
 */
#define _GNU_SOURCE
#include "board.h"
#include "loom.h"

#include <pthread.h>
#include <signal.h>
#include <string.h>

enum { MAILBOXES = 3, FIFO = 16, FILTERS = 16, FOLLOWED = 4 };

static volatile uint8_t *wires;
static char **own_words;
static int line = -1;
static uint64_t began_us, start_us;

/* ---- pins */

static struct pin {
    int16_t out, in;
    uint8_t duty, rest, followed[FOLLOWED], follows;
    bool driven;
} pins[BOARD_PINS];

static volatile bool down; /* no program drives anything */

static uint8_t at_rest(const struct pin *pin)
{
    if (!pin->follows)
        return pin->rest;
    for (uint8_t i = 0; i < pin->follows; i++)
        if (wires[pin->followed[i]] < 128)
            return 0;
    return 255;
}

static void show(const struct pin *pin)
{
    if (pin->out >= 0)
        wires[pin->out] = wires[SUPPLY_RELAY] ? 0 : pin->driven && !down ? pin->duty : at_rest(pin);
}

static void show_all(void)
{
    for (int i = 0; i < BOARD_PINS; i++)
        show(&pins[i]);
}

void board_pin_mode(uint8_t pin, enum board_pin_mode mode)
{
    pins[pin].driven = mode == BOARD_OUTPUT;
    show(&pins[pin]);
}

void board_pwm_write(uint8_t pin, uint8_t duty)
{
    pins[pin].duty = duty;
    show(&pins[pin]);
}

void board_pin_write(uint8_t pin, bool level) { board_pwm_write(pin, level ? 255 : 0); }

bool board_pin_read(uint8_t pin)
{
    if (pins[pin].driven)
        return pins[pin].duty > 0;
    return pins[pin].in >= 0 && wires[pins[pin].in] >= 128;
}

uint16_t board_analog_read(uint8_t pin) { return pins[pin].in < 0 ? 0 : wires[pins[pin].in] * 4; }
uint16_t board_supply_mv(void) { return 13500; }
uint16_t board_output_ma(uint8_t pin) { (void)pin; return BOARD_NOT_SENSED; }

/* ---- CAN, behind an adapter */

static pthread_mutex_t gate = PTHREAD_MUTEX_INITIALIZER;
static struct board_frame fifo[FIFO];
static char boxes[MAILBOXES][32];
static int waiting, first, boxed;
static uint32_t sent_frames, overruns;
static struct { uint32_t id, mask; bool extended; } filters[FILTERS];
static int filter_count;
static bool adapter_open;

static void to_bench(const char *text)
{
    if (write(line, text, strlen(text)) < 0) { /* nobody reads: the frame is lost, as on a bus */
    }
}

static void flush_boxes(void)
{
    if (wires[PLUG_RELAY] || !adapter_open)
        return;
    for (int i = 0; i < boxed; i++, sent_frames++)
        to_bench(boxes[i]);
    boxed = 0;
}

static bool accepted(const struct board_frame *frame)
{
    for (int i = 0; i < filter_count; i++)
        if (filters[i].extended == frame->extended
            && !((filters[i].id ^ frame->id) & filters[i].mask))
            return true;
    return !filter_count;
}

static void heard(const struct board_frame *frame)
{
    if (down || wires[PLUG_RELAY] || !accepted(frame))
        return;
    if (waiting == FIFO) {
        overruns++;
        return;
    }
    fifo[(first + waiting++) % FIFO] = *frame;
}

static bool parse(const char *text, struct board_frame *frame)
{
    bool extended = text[0] == 'T' || text[0] == 'R';
    int digits = extended ? 8 : 3;
    char id[9] = {0};
    memset(frame, 0, sizeof *frame);
    if (strlen(text) < (size_t)digits + 2)
        return false;
    memcpy(id, text + 1, (size_t)digits);
    frame->id = (uint32_t)strtoul(id, 0, 16);
    frame->extended = extended;
    frame->remote = text[0] == 'r' || text[0] == 'R';
    frame->length = (uint8_t)(text[1 + digits] - '0');
    for (int i = 0; i < frame->length && !frame->remote; i++) {
        unsigned byte;
        if (sscanf(text + 2 + digits + 2 * i, "%2x", &byte) != 1)
            return false;
        frame->data[i] = (uint8_t)byte;
    }
    return frame->length <= 8;
}

static void adapter_line(const char *text)
{
    struct board_frame frame;
    if (text[0] == 'V' || text[0] == 'N') {
        to_bench(text[0] == 'V' ? "V1010\r" : "N0001\r");
    } else if (text[0] && strchr("tTrR", text[0])) {
        if (parse(text, &frame)) {
            heard(&frame);
            to_bench(frame.extended ? "Z\r" : "z\r");
        }
    } else {
        adapter_open = text[0] == 'O' || (adapter_open && text[0] != 'C');
        to_bench("\r");
    }
}

static void read_adapter(void)
{
    static char text[64];
    static size_t size;
    char data[256];
    ssize_t got = read(line, data, sizeof data);
    for (ssize_t i = 0; i < got; i++)
        if (data[i] == '\r') {
            text[size] = 0;
            adapter_line(text);
            size = 0;
        } else if (size < sizeof text - 1) {
            text[size++] = data[i];
        }
}

enum board_can_result board_can_send(const struct board_frame *frame)
{
    enum board_can_result result = BOARD_CAN_FULL;
    pthread_mutex_lock(&gate);
    if (boxed < MAILBOXES) {
        int size = sprintf(boxes[boxed], frame->extended ? "T%08X%d" : "t%03X%d", frame->id,
                           frame->length);
        for (int i = 0; i < frame->length; i++)
            size += sprintf(boxes[boxed] + size, "%02X", frame->data[i]);
        strcpy(boxes[boxed++] + size, "\r");
        flush_boxes();
        result = BOARD_CAN_OK;
    }
    pthread_mutex_unlock(&gate);
    return result;
}

bool board_can_receive(struct board_frame *frame)
{
    pthread_mutex_lock(&gate);
    bool there = waiting > 0;
    if (there) {
        *frame = fifo[first];
        first = (first + 1) % FIFO;
        waiting--;
    }
    pthread_mutex_unlock(&gate);
    return there;
}

void board_can_abort(void) { boxed = 0; }

void board_can_status(struct board_can_status *status)
{
    memset(status, 0, sizeof *status);
    status->sent = sent_frames;
    status->overruns = overruns;
    status->pending = (uint8_t)boxed;
    status->waiting = (uint8_t)waiting;
}

void board_can_recover(void) {}
void board_can_filter(uint32_t id, uint32_t mask, bool extended)
{
    filters[filter_count].id = id;
    filters[filter_count].mask = mask;
    filters[filter_count++].extended = extended;
}

/* ---- time, a timer, the watchdog */

static volatile uint64_t dog_us, dog_due_us;
static board_handler timer_handler;
static uint64_t timer_us, timer_due_us;

uint32_t board_us(void) { return (uint32_t)(clock_us() - began_us + start_us); }
uint32_t board_ms(void) { return (uint32_t)((clock_us() - began_us + start_us) / 1000); }

static void serve_timer(void)
{
    while (timer_us && clock_us() >= timer_due_us) {
        timer_due_us += timer_us;
        timer_handler();
    }
}

static void note_late(uint64_t due_us)
{
    uint64_t late_ms = (clock_us() - due_us) / 1000;
    if (late_ms > wires[LATE])
        wires[LATE] = late_ms > 255 ? 255 : (uint8_t)late_ms;
}

void board_delay_us(uint32_t us)
{
    uint64_t until_us = clock_us() + us;
    do {
        uint64_t left_us = until_us - clock_us();
        serve_timer();
        if (left_us && left_us < us + 1u)
            usleep(left_us > 1000 ? 1000 : (useconds_t)left_us);
    } while (clock_us() < until_us);
    note_late(until_us);
}

void board_delay_ms(uint32_t ms) { board_delay_us(ms * 1000); }

void board_on_timer(uint32_t period_us, board_handler handler)
{
    timer_handler = handler;
    timer_us = period_us;
    timer_due_us = clock_us() + period_us;
}

void board_watchdog_start(uint32_t ms)
{
    dog_us = ms * 1000u;
    dog_due_us = clock_us() + dog_us;
}

void board_watchdog_feed(void) { dog_due_us = clock_us() + dog_us; }
enum board_reset_cause board_reset_cause(void) { return BOARD_POWER_UP; }

void board_memory_read(uint16_t address, void *to, uint16_t length)
{
    memcpy(to, (const void *)(wires + MEMORY + address), length);
}

void board_memory_write(uint16_t address, const void *from, uint16_t length)
{
    memcpy((void *)(wires + MEMORY + address), from, length);
}

uint16_t board_memory_size(void) { return 256; }

void board_serial_begin(uint32_t baud);
static uint64_t byte_us = 87, serial_free_us;
void board_serial_begin(uint32_t baud) { byte_us = 10000000u / baud; }

void board_print(const char *text)
{
    uint64_t now_us = clock_us();
    serial_free_us = (serial_free_us > now_us ? serial_free_us : now_us) + byte_us * strlen(text);
    if (serial_free_us > now_us + 64 * byte_us)
        board_delay_us((uint32_t)(serial_free_us - now_us - 64 * byte_us));
}

/* ---- reset: the program starts anew as a whole, on the same line */

/* No program runs: its pins are at rest, and what comes over the bus is lost. */
static void stand_still(void)
{
    pthread_mutex_lock(&gate);
    read_adapter();
    pthread_mutex_unlock(&gate);
    show_all();
    usleep(500);
}

static void start_anew(void)
{
    char kept[16];
    down = true;
    do
        stand_still();
    while (wires[RESET_RELAY] || wires[SUPPLY_RELAY]);
    sprintf(kept, "%d%c", line, adapter_open ? '+' : '-');
    setenv("NODE_LINE", kept, 1);
    execv("/proc/self/exe", own_words);
    _exit(3);
}

void board_restart(void)
{
    start_anew();
    for (;;)
        pause();
}

static void *supervise(void *unused)
{
    (void)unused;
    for (uint64_t due_us = clock_us() + 500;; due_us = clock_us() + 500) {
        usleep(500);
        note_late(due_us);
        if (wires[RESET_RELAY] || wires[SUPPLY_RELAY] || (dog_us && clock_us() > dog_due_us))
            start_anew();
        if (getppid() == 1)
            _exit(0);
        pthread_mutex_lock(&gate);
        read_adapter();
        flush_boxes();
        pthread_mutex_unlock(&gate);
        for (int i = 0; i < BOARD_PINS; i++)
            if (pins[i].follows && !pins[i].driven)
                show(&pins[i]);
    }
}

/* A program that fails stands still, its pins as they were, until something resets it. */
static void failed(int signal)
{
    (void)signal;
    for (;;)
        pause();
}

static void connect_pins(char **words)
{
    for (int i = 0; i < BOARD_PINS; i++)
        pins[i].out = pins[i].in = -1;
    for (; *words; words++) {
        int pin, wire, rest = 0, size = 0;
        if (sscanf(*words, "out:%d=%d:%d", &pin, &wire, &rest) >= 2) {
            pins[pin].out = (int16_t)wire;
            pins[pin].rest = (uint8_t)rest;
        } else if (sscanf(*words, "in:%d=%d", &pin, &wire) == 2) {
            pins[pin].in = (int16_t)wire;
        } else if (sscanf(*words, "follow:%d=%d%n", &pin, &wire, &size) == 2) {
            pins[pin].out = (int16_t)wire;
            for (char *more = *words + size; *more == ','; ) {
                pins[pin].followed[pins[pin].follows++] = (uint8_t)strtol(more + 1, &more, 10);
            }
        }
    }
}

int main(int count, char **words)
{
    const char *kept = getenv("NODE_LINE");
    pthread_t supervisor;
    (void)count;
    own_words = words;
    wires = open_loom(words[1]);
    began_us = clock_us();
    start_us = strtoull(words[3], 0, 10) * 1000u;
    connect_pins(words + 4);
    line = kept ? atoi(kept) : open_line();
    adapter_open = kept && strchr(kept, '+');
    for (int i = 0; i < 3; i++)
        signal((int[]){SIGSEGV, SIGABRT, SIGFPE}[i], failed);
    down = true;
    for (uint64_t until_us = began_us + strtoull(words[2], 0, 10) * 1000u; clock_us() < until_us;)
        stand_still();
    down = false;
    pthread_create(&supervisor, 0, supervise, 0);
    setup();
    for (;;)
        loop();
}
