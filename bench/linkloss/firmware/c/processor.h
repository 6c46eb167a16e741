/* processor.h: what the bench and the process of a processor tell each other: struct image, back and
 * forth, over a socket. Lines that begin with # are left out where Python reads this file.
 *
 * The bench sends a command. The process answers with a request of machine.h, runs no further, and
 * gets the next command. So only one of the two works at a time, and nothing depends on which of
 * them is faster.
 */
#ifndef PROCESSOR_H
#define PROCESSOR_H
#include "machine.h"

enum command {
    GO_ON, /* the answer to the last request is in `board` */
    RESET, /* begin anew, at board.now_ns, for board.reset_cause */
    TWIN,  /* fork: the child goes on over the descriptor that comes along */
};

enum { WITHOUT = 0xFF, CHANNELS = 16 };

struct image {
    int32_t command;
    uint32_t pc;      /* a byte address in flash; where the processor is */
    uint64_t cycles;  /* since its power-up */
    char what[256];   /* of a crash; %s stands for `variable` */
    char where[64];   /* its place, if it is none in the program */
    char track[96];   /* with a reset: a file for the way that the program takes; empty: none */
    uint32_t variable, changed_at; /* in memory; in flash, what changed it. 0: none */
    struct machine board;
};

/* What a processor is made of: sent once, before the first command, followed by the contents of
 * flash and EEPROM and by the scalars of the program. Pins have the numbers 8 x port + bit, port A is 0. */
struct equipment {
    char chip[32];
    uint32_t clock_hz;
    uint32_t flash_length, eeprom_length, scalars_length; /* in bytes */
    uint64_t seed;
    uint32_t main, bad_interrupt;            /* addresses in flash, 0: unknown */
    uint32_t allocate;                       /* malloc(), in flash */
    uint32_t millis, overflows, heap_end;    /* addresses in memory, 0: unknown */
    uint32_t free_pieces;                    /* the list of malloc() */
    uint32_t static_end;
    uint32_t vcc_mv;
    uint32_t watchdog_always;                /* the fuse WDTON */
    uint8_t analog_pin[16];                  /* of each channel, WITHOUT: none */
    uint8_t select, interrupt;               /* of the SPI CAN controller, WITHOUT: none */
    uint32_t oscillator_hz, bit_rate, sample_least, sample_most;
};

/* A variable in memory that is read and written as a whole. */
struct scalar_place {
    uint16_t address, size;
};
#ifndef CFFI
extern struct image image;
extern struct equipment equipment;
#define board (image.board)

/* Ask the bench, and wait for its answer. It does not return if the bench begins anew. */
void ask(int request);

/* The process's own part, called by processor.c. */
void processor_make(const uint8_t *flash, const uint8_t *eeprom, const struct scalar_place *scalars);
void processor_reset(void);
_Noreturn void processor_run(void);
uint64_t processor_ns(void);     /* the instant that it has come to */
void processor_asks(void);       /* it is about to ask the bench */
void processor_answered(void);   /* time may have passed, and the horizon may be another one */
void processor_feed(uint8_t pin, uint8_t level); /* a chip beside it gives a pin a level */

/* The bench comes up to the processor: what others can notice is done at the same instant. */
void come_up(void);

/* End the program here and report it. `where`: its place, or NULL for where the processor is. */
_Noreturn void crash(const char *what, const char *where);

/* chip.cpp: the SPI CAN controller. */
void chip_begin(void);
void chip_select(int level);
uint8_t chip_transfer(uint8_t out);
void chip_service(void);
#endif
#endif
