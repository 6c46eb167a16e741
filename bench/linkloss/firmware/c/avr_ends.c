/* avr_ends.c: what ends a program on an AVR, and where that was. */
#include "avr.h"

enum { KEPT_FOR_STACK = 128 }; /* __malloc_margin of avr-libc */
static char complaint_text[256];

void logged(avr_t *same, const int level, const char *format, va_list values)
{
    (void)same;
    if (level != LOG_ERROR || complaint || !avr)
        return;
    complaint = 1;
    complained_at = avr->pc;
    vsnprintf(complaint_text, sizeof complaint_text, format, values);
    avr->run_cycle_count = 1;
}

/* The program ends behind this instruction. */
void mistakes(const char *what, uint32_t pc)
{
    if (mistake)
        return;
    mistake = what;
    mistake_at = pc;
    avr->run_cycle_count = 1;
}

static int is_call(uint32_t at)
{
    unsigned opcode = avr->flash[at] | avr->flash[at + 1] << 8;
    return (opcode & 0xF000) == 0xD000 || opcode == 0x9509 || opcode == 0x9519;
}

static int is_long_call(uint32_t at)
{
    return ((avr->flash[at] | avr->flash[at + 1] << 8) & 0xFE0E) == 0x940E;
}

/* Where the processor is and who called it: what looks like return addresses on the stack. */
void find_places(uint32_t pc)
{
    unsigned width = avr->address_size, count = 0;
    board.places[count++] = pc;
    for (unsigned at = _avr_sp_get(avr) + 1u; at + width <= avr->ramend + 1u && count < 16; at++) {
        uint32_t back = 0;
        for (unsigned i = 0; i < width; i++)
            back = back << 8 | avr->data[at + i];
        back *= 2;
        if (back < 4 || back >= after_program)
            continue;
        if (is_call(back - 2) || is_long_call(back - 4)) {
            board.places[count++] = back - 2;
            at += width - 1;
        }
    }
    board.places_length = count;
}

_Noreturn void ends(const char *what, uint32_t pc)
{
    find_places(pc);
    image.pc = pc;
    come_up();
    crash(what, NULL);
}

/* Where the heap ends, by the variable of avr-libc; 0 as long as nothing was allocated. */
static uint16_t allocated(void)
{
    uint32_t at = equipment.heap_end;
    return at ? (uint16_t)(avr->data[at] | avr->data[at + 1] << 8) : 0;
}

uint16_t heap_end(void)
{
    uint16_t found = allocated();
    return found ? found : (uint16_t)equipment.static_end;
}

static unsigned asked;

/* malloc() begins. */
void heap_asked(unsigned size)
{
    asked = size;
}

static unsigned word_at(unsigned at)
{
    return avr->data[at & 0xFFFF] | avr->data[(at + 1) & 0xFFFF] << 8;
}

/* Whether malloc() returns without a piece although enough is free, in pieces that are too small. A
 * piece has its length in front of it, and the next one's address behind that. */
int finds_no_room(uint32_t pc)
{
    static char text[160];
    unsigned all = 0, largest = 0, end = heap_end(), pieces = 0;
    if (avr->data[24] || avr->data[25] || !equipment.free_pieces)
        return 0;
    for (unsigned at = word_at(equipment.free_pieces); at && pieces < avr->ramend; pieces++) {
        all += word_at(at) + 2;
        largest = word_at(at) > largest ? word_at(at) : largest;
        at = word_at(at + 2);
    }
    if (_avr_sp_get(avr) > end + KEPT_FOR_STACK)
        all += _avr_sp_get(avr) - end - KEPT_FOR_STACK;
    if (all < asked + 2)
        return 0;
    snprintf(text, sizeof text, "the heap has no room for %u bytes, and %u are free: they lie in pieces,"
             " of which the largest has %u", asked, all, largest);
    mistakes(text, pc);
    return 1;
}

_Noreturn void ends_by_complaint(void)
{
    static char text[200];
    uint32_t pc = complained_at;
    if (pc == 0)
        ends("a jump to address 0: a function pointer that is null, an interrupt without a handler,"
             " or a restart that resets nothing", pc);
    if (pc >= after_program) {
        snprintf(text, sizeof text, "it runs in erased flash, at address %#x", (unsigned)pc);
        ends(text, pc);
    }
    if (_avr_sp_get(avr) < heap_end() || _avr_sp_get(avr) > avr->ramend)
        ends("the stack has grown into static data or the heap", pc);
    if (strstr(complaint_text, "nvalid write")) {
        snprintf(text, sizeof text, "a write to an address where there is no memory");
        ends(text, pc);
    }
    if (strstr(complaint_text, "nvalid read") || strstr(complaint_text, "nvalid Read"))
        ends("a read from an address where there is no memory", pc);
    if (strstr(complaint_text, "nvalid Opcode") || strstr(complaint_text, "nvalid opcode")) {
        snprintf(text, sizeof text, "invalid instruction at address %#x", (unsigned)pc);
        ends(text, pc);
    }
    snprintf(text, sizeof text, "the processor's simulation gave up: %.150s", complaint_text);
    ends(text, pc);
}
