/* board.c: the functions of board.h, as they are inside every firmware on the bench.
 *
 * Each call costs the node's processor some time. The node's own time may run ahead of the bench's
 * up to the horizon, before which nothing can happen to it; beyond it, and before everything that
 * others can notice, it waits for the bench to come up.
 */
#define _GNU_SOURCE
#include "board.h"

#include <link.h>
#include <string.h>

#include "inside.h"
#include "machine.h"

#define EXPORT __attribute__((visibility("default")))

enum { SERIAL_BUFFER = 64, DUTY_NONE = -1, FRAME_MAX = 8 };

static struct machine *board;
static bool over;
static uint64_t serial_byte_ns = 86806; /* 10 bits at 115200 bit/s */
static board_handler pin_handlers[BOARD_PINS];
static board_handler can_handler, timer_handler;
static uint8_t modes[BOARD_PINS];
static int16_t latched[BOARD_PINS]; /* the duty written last */
static int16_t driven[BOARD_PINS];  /* what the pin drives now, or DUTY_NONE */

/* ---- time and interrupts */

static void run_pin_interrupts(void)
{
    for (int pin = 0; pin < BOARD_PINS; pin++)
        if (board->edge_pending[pin]) {
            board->edge_pending[pin] = 0;
            if (pin_handlers[pin])
                pin_handlers[pin]();
        }
}

static void run_interrupts(void)
{
    if (!board->pending || board->masked || board->in_interrupt)
        return;
    board->in_interrupt = 1;
    while (board->pending) {
        uint32_t pending = board->pending;
        board->pending = 0;
        if (pending & 1u << PIN_INTERRUPT)
            run_pin_interrupts();
        if (pending & 1u << FRAME_INTERRUPT && can_handler)
            can_handler();
        if (pending & 1u << TIMER_INTERRUPT && timer_handler)
            timer_handler();
    }
    board->in_interrupt = 0;
}

/* A hung program gets no further, its interrupt handlers do. */
static void wait_until(uint64_t until_ns)
{
    do {
        board->until_ns = until_ns;
        board->ask(board, ASK_WAIT);
        run_interrupts();
    } while (board->now_ns < until_ns || (board->hung && !board->in_interrupt));
}

static void pass(uint64_t ns)
{
    uint64_t then_ns = board->now_ns + ns;
    board->calls++;
    if (then_ns >= board->horizon_ns)
        wait_until(then_ns);
    else
        board->now_ns = then_ns;
}

static void call(void)
{
    pass(board->call_ns);
}

/* A call that others can notice: it happens at the node's own time, and the bench has to be
 * there. */
static void call_in_step(void)
{
    board->calls++;
    wait_until(board->now_ns + board->call_ns);
}

/* The clock runs at (1 + clock_ppb / 10^9) times the bench's time. */
static const uint64_t PER_BILLION = 1000000000;

static uint64_t clock_ns(void)
{
    uint64_t passed_ns = board->now_ns - board->begun_ns;
    uint64_t rate = PER_BILLION + board->clock_ppb;
    return (uint64_t)((unsigned __int128)passed_ns * rate / PER_BILLION) + board->clock_ns;
}

/* What a time of the node's clock is in the bench's, rounded up. */
static uint64_t lasts_ns(uint64_t shown_ns)
{
    uint64_t rate = PER_BILLION + board->clock_ppb;
    return (uint64_t)(((unsigned __int128)shown_ns * PER_BILLION + rate - 1) / rate);
}

uint32_t board_ms(void)
{
    call();
    return (uint32_t)(clock_ns() / 1000000);
}

uint32_t board_us(void)
{
    call();
    return (uint32_t)(clock_ns() / 1000);
}

static void delay(uint64_t ns)
{
    pass(board->call_ns > ns ? board->call_ns : ns);
}

void board_delay_ms(uint32_t ms)
{
    delay(lasts_ns(ms * 1000000ull));
}

void board_delay_us(uint32_t us)
{
    delay(lasts_ns(us * 1000ull));
}

void board_wait_for_interrupt(void)
{
    call();
    do {
        board->until_ns = UINT64_MAX;
        board->ask(board, ASK_WAIT);
    } while (!board->pending);
    run_interrupts();
    if (board->hung)
        wait_until(board->now_ns);
}

void board_interrupts(bool enabled)
{
    call();
    board->masked = !enabled;
    run_interrupts();
}

void board_on_pin(uint8_t pin, enum board_edge edge, board_handler handler)
{
    call();
    pin_handlers[pin] = handler;
    board->edge[pin] = handler ? edge : BOARD_NO_EDGE;
}

void board_on_can(uint8_t events, board_handler handler)
{
    call();
    can_handler = handler;
    board->can_events = handler ? events : 0;
    if (board->can_events & BOARD_CAN_RECEIVED && board->waiting) {
        board->pending |= 1u << FRAME_INTERRUPT;
        run_interrupts();
    }
}

void board_on_timer(uint32_t period_us, board_handler handler)
{
    call_in_step();
    timer_handler = handler;
    board->a = handler ? period_us : 0;
    board->ask(board, ASK_TIMER);
}

/* ---- pins */

static void settle(uint8_t pin)
{
    int16_t wanted = modes[pin] == BOARD_OUTPUT ? latched[pin] : DUTY_NONE;
    if (wanted == driven[pin]) {
        call();
        return;
    }
    driven[pin] = wanted;
    if (board->wired[pin] != 1) {
        call();
        return;
    }
    call_in_step();
    board->a = pin;
    board->b = wanted;
    board->ask(board, ASK_OUTPUT);
}

void board_pin_mode(uint8_t pin, enum board_pin_mode mode)
{
    modes[pin] = mode;
    if (mode == BOARD_INPUT_PULLUP && board->wired[pin] == 0)
        board->level[pin] = 1;
    settle(pin);
}

void board_pwm_write(uint8_t pin, uint8_t duty)
{
    latched[pin] = duty;
    settle(pin);
}

void board_pin_write(uint8_t pin, bool level)
{
    board_pwm_write(pin, level ? 255 : 0);
}

bool board_pin_read(uint8_t pin)
{
    call();
    return modes[pin] == BOARD_OUTPUT ? latched[pin] > 127 : board->level[pin];
}

uint16_t board_analog_read(uint8_t pin)
{
    call();
    if (board->wired[pin] == 3) {
        board->a = pin;
        board->ask(board, ASK_SENSE);
        return (uint16_t)board->result;
    }
    return board->analog[pin];
}

uint16_t board_supply_mv(void)
{
    call();
    return board->supply_mv;
}

uint16_t board_output_ma(uint8_t pin)
{
    call();
    return board->output_ma[pin];
}

void board_pin_feed(uint8_t pin, bool level)
{
    bool changed = board->level[pin] != level;
    board->level[pin] = level;
    if (!changed || !(board->edge[pin] & (level ? BOARD_RISING : BOARD_FALLING)))
        return;
    board->edge_pending[pin] = 1;
    board->pending |= 1u << PIN_INTERRUPT;
    run_interrupts();
}

/* ---- CAN */

enum board_can_result board_can_send(const struct board_frame *frame)
{
    if (frame->length > FRAME_MAX || frame->id > (frame->extended ? 0x1FFFFFFFu : 0x7FFu)) {
        call();
        return BOARD_CAN_BAD_FRAME;
    }
    struct board_frame copy = *frame; /* an interrupt handler may change it while we wait */
    call_in_step();
    board->id = copy.id;
    board->extended = copy.extended;
    board->remote = copy.remote;
    board->length = copy.length;
    memcpy(board->data, copy.data, FRAME_MAX);
    board->ask(board, ASK_SEND);
    return (enum board_can_result)board->result;
}

bool board_can_receive(struct board_frame *frame)
{
    call();
    if (!board->waiting)
        return false;
    board->ask(board, ASK_RECEIVE);
    if (!board->result)
        return false;
    frame->id = board->id;
    frame->extended = board->extended;
    frame->remote = board->remote;
    frame->length = board->length;
    memcpy(frame->data, board->data, FRAME_MAX);
    return true;
}

void board_can_abort(void)
{
    call_in_step();
    board->ask(board, ASK_ABORT);
}

void board_can_status(struct board_can_status *status)
{
    call();
    board->ask(board, ASK_STATUS);
    status->state = (enum board_can_state)board->state;
    status->tec = board->tec;
    status->rec = board->rec;
    status->sent = board->sent;
    status->overruns = board->overruns;
    status->pending = (uint8_t)board->frames_pending;
    status->waiting = (uint8_t)(board->waiting > 255 ? 255 : board->waiting);
}

void board_can_recover(void)
{
    call_in_step();
    board->ask(board, ASK_RECOVER);
}

void board_can_mode(enum board_can_mode mode)
{
    call_in_step();
    board->a = mode;
    board->ask(board, ASK_MODE);
}

void board_can_one_shot(bool one_shot)
{
    call_in_step();
    board->a = one_shot;
    board->ask(board, ASK_ONE_SHOT);
}

void board_can_filter(uint32_t id, uint32_t mask, bool extended)
{
    call_in_step();
    board->id = id;
    board->a = mask;
    board->extended = extended;
    board->ask(board, ASK_FILTER);
}

void board_can_accept_all(void)
{
    call_in_step();
    board->ask(board, ASK_ACCEPT_ALL);
}

/* ---- watchdog, reset, memory */

void board_watchdog_start(uint32_t ms)
{
    call_in_step();
    board->a = ms;
    board->ask(board, ASK_WATCHDOG);
}

void board_watchdog_feed(void)
{
    call();
    board->fed_ns = board->now_ns;
    board->fed = 1;
}

void board_restart(void)
{
    call_in_step();
    board->ask(board, ASK_RESTART);
}

enum board_reset_cause board_reset_cause(void)
{
    call();
    return (enum board_reset_cause)board->reset_cause;
}

uint16_t board_memory_size(void)
{
    call();
    return (uint16_t)(board->memory_size > UINT16_MAX ? UINT16_MAX : board->memory_size);
}

void board_memory_read(uint16_t address, void *to, uint16_t length)
{
    call();
    for (uint32_t i = 0; i < length; i++) {
        uint32_t at = address + i;
        ((uint8_t *)to)[i] = at < board->memory_size ? board->memory[at] : 0xFF;
    }
}

void board_memory_write(uint16_t address, const void *from, uint16_t length)
{
    call();
    for (uint32_t i = 0; i < length && address + i < board->memory_size; i++)
        board->memory[address + i] = ((const uint8_t *)from)[i];
}

/* ---- the serial line */

void board_serial_begin(uint32_t baud)
{
    call();
    serial_byte_ns = 10000000000ull / (baud ? baud : 115200);
}

static void send_byte(char byte)
{
    uint64_t free_ns = board->serial_free_ns;
    if (free_ns < board->now_ns)
        free_ns = board->now_ns;
    if (free_ns - board->now_ns > SERIAL_BUFFER * serial_byte_ns)
        pass(free_ns - board->now_ns - SERIAL_BUFFER * serial_byte_ns);
    board->serial_free_ns = free_ns + serial_byte_ns;
    if (byte != '\n' && byte != '\r')
        board->text[board->text_length++] = byte;
    if (board->text_length && (byte == '\n' || board->text_length == sizeof board->text)) {
        wait_until(board->now_ns);
        board->ask(board, ASK_PRINT);
        board->text_length = 0;
    }
}

void board_serial_write(const void *data, size_t length)
{
    if (over)
        return;
    call();
    for (size_t i = 0; i < length; i++)
        send_byte(((const char *)data)[i]);
}

void board_print(const char *text)
{
    board_serial_write(text, strlen(text));
}

/* ---- the way in */

extern void setup(void) __attribute__((weak, visibility("hidden")));
extern void loop(void) __attribute__((weak, visibility("hidden")));
extern void setup_cpp(void) __asm__("_Z5setupv") __attribute__((weak, visibility("hidden")));
extern void loop_cpp(void) __asm__("_Z4loopv") __attribute__((weak, visibility("hidden")));
extern int main(void) __attribute__((weak, visibility("hidden")));

extern board_handler firmware_init_begin[] __attribute__((visibility("hidden")));
extern board_handler firmware_init_end[] __attribute__((visibility("hidden")));

static void stop(void)
{
    for (;;)
        board_wait_for_interrupt();
}

EXPORT void firmware_start(struct machine *machine)
{
    board = machine;
    memset(driven, 0xFF, sizeof driven); /* DUTY_NONE */
    for (board_handler *made = firmware_init_begin; made < firmware_init_end; made++)
        (*made)();
    if (main) {
        main();
        stop();
    }
    if (setup || setup_cpp)
        (setup ? setup : setup_cpp)();
    for (;;) {
        (loop ? loop : loop_cpp)();
        call();
    }
}

static bool is_own(const struct dl_phdr_info *info)
{
    const char *base = (const char *)info->dlpi_addr;
    for (int i = 0; i < info->dlpi_phnum; i++) {
        const char *begin = base + info->dlpi_phdr[i].p_vaddr;
        if (info->dlpi_phdr[i].p_type == PT_LOAD && begin <= (const char *)is_own
            && (const char *)is_own < begin + info->dlpi_phdr[i].p_memsz)
            return true;
    }
    return false;
}

static int look(struct dl_phdr_info *info, size_t size, void *to)
{
    struct library *found = to;
    char *base = (char *)info->dlpi_addr;
    (void)size;
    if (!is_own(info))
        return 0;
    for (int i = 0; i < info->dlpi_phnum; i++) {
        const ElfW(Phdr) *part = &info->dlpi_phdr[i];
        char *begin = base + part->p_vaddr;
        if (part->p_type != PT_LOAD)
            continue;
        if (part->p_flags & PF_W) {
            found->memory = begin;
            found->memory_length = part->p_memsz;
        }
        if (part->p_flags & PF_X) {
            found->text_begin = (uint64_t)begin;
            found->text_end = (uint64_t)begin + part->p_memsz;
        }
    }
    found->base = base;
    return 1;
}

EXPORT void firmware_look(struct library *found)
{
    dl_iterate_phdr(look, found);
    found->has_program = main || ((loop || loop_cpp) && (setup || setup_cpp));
}

static __thread volatile char thread_local_memory;

static int begin_thread_locals(struct dl_phdr_info *info, size_t size, void *unused)
{
    (void)size, (void)unused;
    if (!is_own(info))
        return 0;
    for (int i = 0; i < info->dlpi_phnum; i++) {
        const ElfW(Phdr) *part = &info->dlpi_phdr[i];
        if (part->p_type != PT_TLS)
            continue;
        char *block = info->dlpi_tls_data;
        memcpy(block, (char *)info->dlpi_addr + part->p_vaddr, part->p_filesz);
        memset(block + part->p_filesz, 0, part->p_memsz - part->p_filesz);
    }
    return 1;
}

/* Variables of this thread, as they are at the beginning; static memory has been set back. */
EXPORT void firmware_begin(void)
{
    thread_local_memory = 0; /* the loader makes the block when it is first used */
    dl_iterate_phdr(begin_thread_locals, NULL);
}

/* Which lines ran, added to the files that tell it; nothing unless compiled to keep count. */
extern void __gcov_dump(void) __attribute__((weak, visibility("hidden")));

EXPORT void firmware_dump(void)
{
    if (!__gcov_dump)
        return;
    over = true; /* what the compiler's library has to say is not the program's */
    firmware_forget_heap();
    __gcov_dump();
}

void firmware_fail(const char *text, const char *file, int line)
{
    board->fail(board, text, file, line);
    __builtin_unreachable();
}

void firmware_chip(int fate, int place)
{
    if (!board->watched)
        return;
    board->a = fate;
    board->b = place;
    board->ask(board, ASK_CHIP);
}

int firmware_lets_in(uint32_t id, int extended)
{
    return board->lets_in && board->lets_in_id == id && board->lets_in_extended == (extended != 0);
}

int firmware_roomy(void)
{
    return board->roomy;
}
