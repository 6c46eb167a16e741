/* board.h: all that a node's C or C++ program sees of the board it runs on.
 *
 * A program defines setup() and loop(), or main(). It may block: in board_delay_ms() and in every
 * other call time passes, other nodes run and frames arrive. On a real board each function is a
 * few lines over the maker's library; on the bench they are simulated.
 *
 * Times are unsigned 32-bit numbers that roll over, milliseconds after 49.7 days, microseconds
 * after 71.6 minutes. The difference of two of them is right across a roll-over:
 *
 *     if (board_ms() - heard_ms > 250) ...          right
 *     if (board_ms() > heard_ms + 250) ...          wrong for 49.7 days in a row
 *
 * Interrupt handlers take no argument, run while the main program waits in a call (never in the
 * middle of an expression), and are not interrupted themselves.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- the program: one of the two shapes */

void setup(void); /* runs once after each reset */
void loop(void);  /* runs again and again after it */

typedef void (*board_handler)(void);

/* ---- time */

uint32_t board_ms(void);                /* milliseconds since the start of the clock */
uint32_t board_us(void);                /* microseconds since the start of the clock */
void board_delay_ms(uint32_t ms);       /* waits; interrupts run meanwhile */
void board_delay_us(uint32_t us);
void board_wait_for_interrupt(void);    /* sleeps until a handler has run */

/* ---- pins, by the numbers that the vehicle file gives them */

enum board_pin_mode { BOARD_INPUT, BOARD_INPUT_PULLUP, BOARD_OUTPUT };
enum board_edge { BOARD_NO_EDGE, BOARD_RISING, BOARD_FALLING, BOARD_CHANGE };

enum { BOARD_PINS = 256 };

/* After a reset every pin is an input: what an output feeds is left to the hardware. A level
 * written to an input is driven once the pin becomes an output. Pins that lead nowhere do nothing.
 */
void board_pin_mode(uint8_t pin, enum board_pin_mode mode);
void board_pin_write(uint8_t pin, bool level);
void board_pwm_write(uint8_t pin, uint8_t duty); /* 0 off .. 255 on */
bool board_pin_read(uint8_t pin);
uint16_t board_analog_read(uint8_t pin);         /* 0 .. the converter's largest number */
uint16_t board_supply_mv(void);                  /* supply voltage at the terminals, in mV */

/* Current into what a pin switches, in mA; BOARD_NOT_SENSED where nothing senses it. */
enum { BOARD_NOT_SENSED = 65535 };
uint16_t board_output_ma(uint8_t pin);

/* ---- interrupts */

void board_on_pin(uint8_t pin, enum board_edge edge, board_handler handler);
void board_on_timer(uint32_t period_us, board_handler handler); /* 0 us: stop */
void board_interrupts(bool enabled); /* what comes while disabled is handled afterwards */

/* For models of chips beside the controller: the level that such a chip gives a pin. */
void board_pin_feed(uint8_t pin, bool level);

/* ---- the CAN controller */

struct board_frame {
    uint32_t id;     /* 11 bits, or 29 if extended */
    bool extended;
    bool remote;
    uint8_t length;  /* 0 .. 8 */
    uint8_t data[8];
};

enum board_can_result {
    BOARD_CAN_OK,
    BOARD_CAN_FULL,        /* every transmit mailbox holds a frame */
    BOARD_CAN_IS_BUS_OFF,
    BOARD_CAN_NOT_SENDING, /* switched off, or it only listens */
    BOARD_CAN_BAD_FRAME    /* identifier or length out of range */
};

enum board_can_state { BOARD_CAN_ACTIVE, BOARD_CAN_PASSIVE, BOARD_CAN_BUS_OFF };
enum board_can_mode { BOARD_CAN_NORMAL, BOARD_CAN_LISTEN_ONLY, BOARD_CAN_OFF };

struct board_can_status {
    enum board_can_state state;
    uint16_t tec;       /* transmit error counter */
    uint16_t rec;       /* receive error counter */
    uint32_t sent;      /* frames sent since the start of the program */
    uint32_t overruns;  /* frames lost because the receive FIFO was full, since then */
    uint8_t pending;    /* frames that wait to be sent, the one on the bus included */
    uint8_t waiting;    /* received frames that wait to be read */
};

enum { BOARD_CAN_RECEIVED = 1, BOARD_CAN_SENT = 2, BOARD_CAN_STATE = 4 };

enum board_can_result board_can_send(const struct board_frame *frame); /* never waits */
bool board_can_receive(struct board_frame *frame);                     /* never waits */
void board_can_abort(void);    /* withdraws what waits to be sent */
void board_can_status(struct board_can_status *status);
void board_can_recover(void);  /* asks to come back from bus-off: 128 x 11 recessive bits */
void board_can_mode(enum board_can_mode mode);
void board_can_one_shot(bool one_shot); /* no second attempt for a frame that failed */

/* Without a filter every frame is received. A frame passes a filter if it is of the filter's kind
 * and its identifier agrees with `id` in all bits that are 1 in `mask`. */
void board_can_filter(uint32_t id, uint32_t mask, bool extended);
void board_can_accept_all(void); /* forgets all filters */

/* `events`: a sum of BOARD_CAN_RECEIVED, BOARD_CAN_SENT and BOARD_CAN_STATE. */
void board_on_can(uint8_t events, board_handler handler);

/* ---- watchdog and reset */

enum board_reset_cause { BOARD_POWER_UP, BOARD_EXTERNAL, BOARD_WATCHDOG, BOARD_PROGRAM };

void board_watchdog_start(uint32_t ms);
void board_watchdog_feed(void);
void board_restart(void); /* does not return */
enum board_reset_cause board_reset_cause(void);

/* ---- memory that outlives resets and loss of power; erased bytes read 0xFF */

uint16_t board_memory_size(void);
void board_memory_read(uint16_t address, void *to, uint16_t length);
void board_memory_write(uint16_t address, const void *from, uint16_t length);

/* ---- serial line: its buffer holds 64 bytes; who writes into a full one waits */

void board_serial_begin(uint32_t baud); /* default: 115200, 10 bits a byte */
void board_serial_write(const void *data, size_t length);
void board_print(const char *text);

#ifdef __cplusplus
}
#endif

#endif
