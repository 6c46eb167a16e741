/* avr_races.c: what an interrupt changes while the program stands between two instructions that
 * belong together.
 *
 * - A torn read: one expression reads a variable of several bytes, and between two of them an
 *   interrupt changes it. Both the bytes before and those after are bytes that interrupts have
 *   changed in this run, so the two parts may belong to different values. What that does is tried:
 *   one twin goes on with what was read, another with the byte as a carry would have made it. The
 *   read is torn if the second one does not read the variable again at once (as who reads until two
 *   values agree), and does something else than the first.
 * - A lost change: the program reads a byte, an interrupt changes it, and the program writes back
 *   what it has made of the old one.
 *
 * How far apart two instructions may be is counted in instructions of the same level: the main
 * program, or an interrupt that another interrupts.
 */
#define _GNU_SOURCE
#include "avr.h"

#include <fcntl.h>
#include <unistd.h>

enum access { NO_ACCESS, LOAD, STORE, LOAD_AT, STORE_AT, INPUT, OUTPUT, SET_BIT, ALLOCATES, ALLOCATED, BRANCH };
enum { NEAR = 8, AGAIN = 16, TRIED = 64, TRIES = 3, WRITES_BACK = 16, FARTHEST = 0x2200, PROGRAM_COUNTERS = 1 << 22, STATUS_AND_STACK = 0x5D,
       RETURN = 0x9508 };

struct level {
    uint32_t step;       /* of the last read */
    uint32_t read_at;    /* its instruction */
    uint32_t changed_at; /* the interrupt's instruction that changed it since, 0: none */
};

static struct byte {
    uint16_t scalar; /* its number and one, 0: no scalar of several bytes */
    struct level by[LEVELS];
} bytes[FARTHEST];

static struct scalar {
    uint16_t begin;
    uint8_t changed; /* its bytes that interrupts have changed */
    struct read {
        uint8_t before; /* bytes that were read when it was changed */
        uint8_t read;   /* bytes that this expression has read */
        uint32_t step, changed_at;
    } by[LEVELS];
} *scalars;
static unsigned scalar_count;
uint8_t *kinds;
uint32_t steps[LEVELS + 1];
static uint8_t *tries; /* for the instruction at each word of the flash */
static struct {
    int way; /* to who tries; 0: this is no trial */
    const struct scalar *scalar;
    uint32_t begun;
    int level, destination;
} trial;
static const uint64_t READS_AGAIN = 1;

static unsigned opcode_at(uint32_t at)
{
    return avr->flash[at] | avr->flash[at + 1] << 8;
}

static uint8_t kind_of(unsigned opcode)
{
    static const uint16_t BY_POINTER = 1 << 1 | 1 << 2 | 1 << 9 | 1 << 0xA | 1 << 0xC | 1 << 0xD | 1 << 0xE;
    if ((opcode & 0xD000) == 0x8000)
        return opcode & 0x0200 ? STORE_AT : LOAD_AT;
    if ((opcode & 0xFC0F) == 0x9000)
        return opcode & 0x0200 ? STORE : LOAD;
    if ((opcode & 0xFC00) == 0x9000 && BY_POINTER >> (opcode & 0xF) & 1)
        return opcode & 0x0200 ? STORE_AT : LOAD_AT;
    if ((opcode & 0xF000) == 0xB000)
        return opcode & 0x0800 ? OUTPUT : INPUT;
    return (opcode & 0xFD00) == 0x9800 ? SET_BIT : NO_ACCESS;
}

static int writes(int kind)
{
    return kind == STORE || kind == STORE_AT || kind == OUTPUT || kind == SET_BIT;
}

static unsigned by_pointer(unsigned opcode)
{
    if ((opcode & 0xD000) == 0x8000) { /* with Y+q, Z+q */
        unsigned offset = (opcode & 7) | (opcode >> 7 & 0x18) | (opcode >> 8 & 0x20);
        return word(opcode & 8 ? R_YL : R_ZL, opcode & 8 ? R_YH : R_ZH) + offset;
    }
    switch (opcode & 0xF) {
    case 0x1: return word(R_ZL, R_ZH);
    case 0x2: return word(R_ZL, R_ZH) - 1;
    case 0x9: return word(R_YL, R_YH);
    case 0xA: return word(R_YL, R_YH) - 1;
    case 0xE: return word(R_XL, R_XH) - 1;
    default: return word(R_XL, R_XH);
    }
}

static unsigned address_of(int kind, uint32_t pc)
{
    unsigned opcode = opcode_at(pc);
    switch (kind) {
    case LOAD: case STORE: return opcode_at(pc + 2);
    case LOAD_AT: case STORE_AT: return by_pointer(opcode);
    case SET_BIT: return 0x20 + (opcode >> 3 & 0x1F);
    default: return 0x20 + ((opcode & 0xF) | (opcode >> 5 & 0x30));
    }
}

/* Whether what is written at `to` has been made of what was read at `from`, a few instructions
 * before. */
static int comes_of(uint32_t from, uint32_t to)
{
    uint32_t made_of = 1u << (opcode_at(from) >> 4 & 0x1F);
    for (uint32_t at = from + (kinds[from / 2] == LOAD ? 4 : 2); at < to; at += 2) {
        unsigned opcode = opcode_at(at), d = opcode >> 4 & 0x1F, r = (opcode & 0xF) | (opcode >> 5 & 0x10);
        uint32_t other = made_of >> r & 1;
        int kind = kinds[at / 2];
        if ((opcode & 0xF000) == 0xE000) /* ldi */
            made_of &= ~(1u << (16 + (d & 0xF)));
        else if ((opcode & 0xFF00) == 0x0100) { /* movw */
            uint32_t pair = made_of >> 2 * (opcode & 0xF) & 3;
            made_of = (made_of & ~(3u << 2 * (opcode >> 4 & 0xF))) | pair << 2 * (opcode >> 4 & 0xF);
        } else if ((opcode & 0xFC00) == 0x2C00) /* mov */
            made_of = (made_of & ~(1u << d)) | other << d;
        else if ((opcode & 0xFC00) == 0x2400 && d == r) /* clr */
            made_of &= ~(1u << d);
        else if ((opcode & 0xFC00) == 0x0C00 || (opcode & 0xFC00) == 0x1C00 || (opcode & 0xFC00) == 0x1800
                 || (opcode & 0xFC00) == 0x0800 || (opcode & 0xF000) == 0x2000) /* add, sub, and, or */
            made_of |= other << d;
        else if ((opcode & 0xFE0F) == 0x900F || kind == LOAD || kind == LOAD_AT || kind == INPUT)
            made_of &= ~(1u << d);
        if (kind == LOAD || kind == STORE)
            at += 2;
    }
    return made_of >> (opcode_at(to) >> 4 & 0x1F) & 1;
}

/* ---- the way that the main program takes: each conditional branch, and whether it was taken */

static uint32_t track[4096];
static unsigned tracked;
static int track_file = -1;

static int branches(unsigned opcode)
{
    return (opcode & 0xF800) == 0xF000 || (opcode & 0xFC00) == 0x1000 || (opcode & 0xFC08) == 0xFC00
        || (opcode & 0xFD00) == 0x9900 || ((opcode & 0xFC00) == 0xF400 && opcode != BACK_TO_COUNT);
}

static void flush_track(void)
{
    size_t length = tracked * sizeof *track;
    if (length && write(track_file, track, length) != (ssize_t)length)
        _exit(1);
    tracked = 0;
}

void begin_track(void)
{
    if (!*image.track || track_file >= 0)
        return;
    track_file = open(image.track, O_WRONLY | O_CREAT | O_APPEND, 0600);
    for (uint32_t at = 0; track_file >= 0 && at < equipment.flash_length; at += 2)
        if (!kinds[at / 2] && branches(opcode_at(at)))
            kinds[at / 2] = BRANCH;
}

static void run_branch(uint32_t pc, int level)
{
    avr->run_cycle_count = 1;
    avr->pc = avr_run_one(avr);
    if (level)
        return;
    track[tracked++] = pc | (avr->pc != pc + 2);
    if (tracked == sizeof track / sizeof *track)
        flush_track();
}

static void tell(const char *what, unsigned address, uint32_t pc, uint32_t changed_at)
{
    image.variable = address;
    image.changed_at = changed_at;
    mistakes(what, pc);
}

static _Noreturn void answer(uint64_t told)
{
    _exit(write(trial.way, &told, sizeof told) != sizeof told);
}

/* What the program has come to: memory in use, registers, and where it is. */
static void answer_state(void)
{
    uint64_t told = avr->pc * 0x9E3779B97F4A7C15ull + avr->cycle;
    avr->data[trial.destination] = 0;
    for (unsigned at = 0; at <= avr->ramend; at++) {
        if (at == 32)
            at = avr->ioend + 1;
        if (at < heap_end() || at > _avr_sp_get(avr))
            told = (told ^ avr->data[at]) * 0x100000001B3ull;
    }
    answer(told | 2);
}

void processor_asks(void)
{
    if (trial.way)
        answer_state();
    flush_track();
}

/* What becomes of the program, in a twin of it; 0 in the twin. */
static uint64_t tried(const struct scalar *scalar, int level, uint32_t pc, int carry)
{
    uint64_t told = 0;
    int ends[2];
    if (pipe(ends))
        return 0;
    if (fork() == 0) {
        trial = (__typeof__(trial)){ends[1], scalar, steps[level], level, opcode_at(pc) >> 4 & 0x1F};
        avr->data[trial.destination] += (uint8_t)carry;
        return 0;
    }
    close(ends[1]);
    if (read(ends[0], &told, sizeof told) != sizeof told)
        told = 0;
    close(ends[0]);
    return told;
}

static int uses_torn(const struct scalar *scalar, int level, uint32_t pc)
{
    if (trial.way || tries[pc / 2] == TRIES)
        return 0;
    tries[pc / 2]++;
    uint64_t whole = tried(scalar, level, pc, 0);
    if (trial.way)
        return 0;
    uint64_t torn = tried(scalar, level, pc, 1);
    return whole && torn && torn != READS_AGAIN && torn != whole;
}

static void was_read(unsigned address, int level, uint32_t pc)
{
    struct byte *byte = &bytes[address];
    byte->by[level] = (struct level){steps[level], pc, 0};
    if (!byte->scalar)
        return;
    struct scalar *scalar = &scalars[byte->scalar - 1];
    struct read *read = &scalar->by[level];
    uint8_t bit = (uint8_t)(1 << (address - scalar->begin));
    int anew = read->read & bit;
    if (anew && trial.scalar == scalar && trial.level == level && steps[level] - trial.begun <= AGAIN)
        answer(READS_AGAIN);
    if (anew || steps[level] - read->step > NEAR)
        *read = (struct read){0};
    else if (read->before & scalar->changed && bit & scalar->changed && uses_torn(scalar, level, pc))
        tell("%s is read in pieces, and an interrupt changes it in between", address, pc,
             read->changed_at);
    read->read |= bit;
    read->step = steps[level];
}

static void was_changed(unsigned address, int level, uint32_t pc)
{
    struct byte *byte = &bytes[address];
    struct scalar *scalar = byte->scalar ? &scalars[byte->scalar - 1] : NULL;
    if (scalar && level)
        scalar->changed |= (uint8_t)(1 << (address - scalar->begin));
    for (int outer = 0; outer < level && outer < LEVELS; outer++) {
        if (byte->by[outer].read_at)
            byte->by[outer].changed_at = pc;
        if (scalar && scalar->by[outer].read) {
            scalar->by[outer].before = scalar->by[outer].read;
            scalar->by[outer].changed_at = pc;
        }
    }
}

static void was_written(unsigned address, int level, int kind, uint32_t pc)
{
    struct level *own = &bytes[address].by[level];
    if (own->changed_at && kind != SET_BIT && pc > own->read_at
        && steps[level] - own->step <= WRITES_BACK && comes_of(own->read_at, pc))
        tell("an interrupt changes %s between the instructions that read it and write it back: that"
             " change is lost", address, pc, own->changed_at);
    own->read_at = own->changed_at = 0;
}

/* An instruction that reads or writes runs, and that is noted. */
void run_access(void)
{
    uint32_t pc = avr->pc;
    int kind = kinds[pc / 2], level = avr->interrupts.running_ptr;
    if (kind == BRANCH) {
        run_branch(pc, level);
        return;
    }
    if (kind == ALLOCATED && finds_no_room(pc))
        return;
    if (trial.way && steps[trial.level] - trial.begun > TRIED)
        answer_state();
    unsigned address = kind < ALLOCATES ? address_of(kind, pc) : 0;
    if (kind == ALLOCATES)
        heap_asked(avr->data[24] | avr->data[25] << 8);
    int write = writes(kind);
    if (write && kind == STORE_AT && address < 32)
        ends("a write through a pointer that is null", pc);
    if (address < 32 || address >= FARTHEST
        || (address >= STATUS_AND_STACK && address < STATUS_AND_STACK + 3)) {
        avr->run_cycle_count = 1;
        avr->pc = avr_run_one(avr);
        return;
    }
    uint8_t old = avr->data[address];
    avr->run_cycle_count = 1;
    avr->pc = avr_run_one(avr);
    if (!write) {
        if (level < LEVELS)
            was_read(address, level, pc);
        return;
    }
    if (level && avr->data[address] != old)
        was_changed(address, level, pc);
    if (level < LEVELS)
        was_written(address, level, kind, pc);
}

void forget_races(void)
{
    memset(steps, 0, sizeof steps);
    memset(tries, 0, avr->flashend / 2 + 2);
    for (unsigned i = 0; i < FARTHEST; i++)
        memset(bytes[i].by, 0, sizeof bytes[i].by);
    for (unsigned i = 0; i < scalar_count; i++) {
        scalars[i].changed = 0;
        memset(scalars[i].by, 0, sizeof scalars[i].by);
    }
}

void know_program(const struct scalar_place *places)
{
    kinds = calloc(PROGRAM_COUNTERS, 1);
    tries = calloc(avr->flashend / 2 + 2, 1);
    uint32_t end = equipment.allocate;
    scalar_count = equipment.scalars_length / sizeof *places;
    scalars = calloc(scalar_count + 1, sizeof *scalars);
    if (!kinds || !tries || !scalars)
        exit(1);
    for (uint32_t at = 0; at < equipment.flash_length; at += 2)
        kinds[at / 2] = kind_of(opcode_at(at));
    while (end && end < equipment.flash_length && opcode_at(end) != RETURN)
        end += 2;
    if (end && end < equipment.flash_length && !kinds[equipment.allocate / 2]) {
        kinds[equipment.allocate / 2] = ALLOCATES; /* it begins with a push */
        kinds[end / 2] = ALLOCATED;
    }
    for (unsigned i = 0; i < scalar_count; i++) {
        scalars[i].begin = places[i].address;
        for (unsigned at = places[i].address; at < (unsigned)places[i].address + places[i].size; at++)
            if (at < FARTHEST && places[i].size <= 8)
                bytes[at].scalar = (uint16_t)(i + 1);
    }
}
