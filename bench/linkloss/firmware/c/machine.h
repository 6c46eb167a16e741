/* machine.h: the memory that the bench and one firmware share.
 *
 * The firmware runs on a stack of its own. Whatever it can decide by itself it decides here, in C;
 * for everything else it asks the bench and stands still until the answer is in. Lines that begin
 * with # are left out where Python reads this file.
 */
#ifndef MACHINE_H
#define MACHINE_H
#include <stdint.h>

enum request {
    ASK_NOTHING,
    ASK_WAIT,       /* go on at until_ns, or earlier for an interrupt */
    ASK_OUTPUT,     /* pin `a` is driven to `b`/255, or released if b < 0; result 1: its load
                       twitches, as it was before for a moment */
    ASK_SEND,       /* id, flags, length, data; result */
    ASK_RECEIVE,    /* the same; result 1 if there was a frame */
    ASK_ABORT,
    ASK_STATUS,
    ASK_RECOVER,
    ASK_MODE,       /* a */
    ASK_ONE_SHOT,   /* a */
    ASK_FILTER,     /* id, a: mask, flags */
    ASK_ACCEPT_ALL,
    ASK_TIMER,      /* a: period in us */
    ASK_WATCHDOG,   /* a: timeout in ms */
    ASK_RESTART,
    ASK_PRINT,      /* text_length bytes of text */
    ASK_CRASHED,    /* signal or what; file and line, or places */
    ASK_CHIP,       /* a: what a chip did with a frame, b: its place there; no answer */
    ASK_BITE,       /* the watchdog has bitten; no answer, the program ends */
    ASK_SENSE,      /* a: a pin that measures; result: its reading */
};

enum interrupt { FRAME_INTERRUPT, TIMER_INTERRUPT, PIN_INTERRUPT };

struct machine {
    /* time */
    uint64_t now_ns;      /* the node's own time: the bench's, plus what its calls have cost */
    uint64_t horizon_ns;  /* nobody else does anything before this instant */
    uint64_t until_ns;
    uint64_t begun_ns;    /* when this run of the program began */
    uint64_t clock_ns;    /* what its clock showed then */
    int64_t clock_ppb;    /* how much too fast its clock runs, in parts per billion */
    uint64_t call_ns;     /* what each call costs */
    uint64_t calls;

    /* the way to the bench and back */
    void (*ask)(struct machine *, int request);
    void (*fail)(struct machine *, const char *text, const char *file, int line);
    void (*start)(struct machine *);
    int64_t a, b, result;
    int32_t request;
    uint8_t hung;
    uint8_t masked;
    uint8_t in_interrupt;
    uint8_t idle;         /* while it waits: it will do nothing then but compute */

    /* interrupts: which wait, and which the program wants */
    uint32_t pending;
    uint8_t can_events;
    uint8_t edge[256];
    uint8_t edge_pending[256];

    /* pins */
    uint8_t level[256];
    uint8_t wired[256];   /* 1: leads to a load, 2: comes from an input, 3: measures */
    uint16_t analog[256];
    uint16_t supply_mv;
    uint16_t output_ma[256]; /* 65535: nothing senses it */

    /* CAN */
    uint32_t waiting;
    uint32_t id;
    uint8_t extended, remote, length, data[8];
    uint8_t state;
    uint16_t tec, rec;
    uint32_t sent, overruns, frames_pending;

    /* a chip that is modelled inside the firmware: whether it is watched, and set right */
    uint8_t watched, roomy, lets_in;
    uint8_t lets_in_extended;
    uint32_t lets_in_id;

    /* watchdog, memory, serial line */
    uint64_t fed_ns;
    uint8_t fed;
    uint8_t reset_cause;
    uint64_t seed;        /* of what is left to chance in a processor */
    uint8_t *memory;
    uint32_t memory_size;
    uint64_t serial_free_ns;
    uint32_t text_length;
    char text[256];

    /* a crash */
    int32_t signal;
    uint64_t fault_address;
    uint64_t places[16];  /* addresses in the firmware, the innermost first */
    uint32_t places_length;
    uint64_t text_begin, text_end;  /* where the firmware's instructions are */
    const char *what;
    const char *file;
    int32_t line;
};

struct library {
    char *memory;         /* static memory, and how much of it */
    uint64_t memory_length;
    char *base;           /* where the library was loaded */
    uint64_t text_begin, text_end;
    int32_t has_program;
};
#endif
