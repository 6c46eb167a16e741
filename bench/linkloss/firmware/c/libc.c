/* libc.c: what a firmware calls of the C library and must not share with the bench or with other
 * nodes: its heap, its random numbers, its output, and the ways to end a program.
 *
 * The heap is static memory, so that a reset frees it with everything else.
 */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "inside.h"

#ifndef FIRMWARE_HEAP_BYTES
#define FIRMWARE_HEAP_BYTES 262144
#endif

enum { SMALLEST = 5, CLASSES = 40, TAKEN = 0x7A4B, FREE = 0x0F4E };

/* ---- heap: blocks of 32, 64, 128 ... bytes, each with 16 in front that say what it is */

struct block {
    uint32_t class, state;
    struct block *next;
};

static _Alignas(16) char heap[FIRMWARE_HEAP_BYTES];
static size_t heap_used;
static struct block *unused[CLASSES];

void *malloc(size_t bytes)
{
    uint32_t class = SMALLEST;
    if (bytes > FIRMWARE_HEAP_BYTES)
        return NULL;
    while (((size_t)1 << class) < bytes + sizeof(struct block))
        class++;
    struct block *block = unused[class];
    if (block) {
        unused[class] = block->next;
    } else {
        if (((size_t)1 << class) > FIRMWARE_HEAP_BYTES - heap_used)
            return NULL;
        block = (struct block *)(heap + heap_used);
        heap_used += (size_t)1 << class;
    }
    block->class = class;
    block->state = TAKEN;
    return block + 1;
}

static struct block *block_of(void *memory, const char *complaint)
{
    struct block *block = (struct block *)memory - 1;
    char *place = memory;
    if (place < heap || place >= heap + heap_used || block->state != TAKEN)
        firmware_fail(complaint, NULL, 0);
    return block;
}

void free(void *memory)
{
    if (!memory)
        return;
    struct block *block = block_of(memory, "free() of memory that is not allocated");
    block->state = FREE;
    block->next = unused[block->class];
    unused[block->class] = block;
}

void *calloc(size_t count, size_t bytes)
{
    if (bytes && count > FIRMWARE_HEAP_BYTES / bytes)
        return NULL;
    void *memory = malloc(count * bytes);
    return memory ? memset(memory, 0, count * bytes) : NULL;
}

void *realloc(void *memory, size_t bytes)
{
    if (!memory)
        return malloc(bytes);
    struct block *block = block_of(memory, "realloc() of memory that is not allocated");
    size_t held = ((size_t)1 << block->class) - sizeof *block;
    if (bytes <= held)
        return memory;
    void *larger = malloc(bytes);
    if (larger) {
        memcpy(larger, memory, held);
        free(memory);
    }
    return larger;
}

void firmware_forget_heap(void)
{
    heap_used = 0;
    memset(unused, 0, sizeof unused);
}

/* operator new and delete, for C++ */

static void *made(size_t bytes)
{
    void *memory = malloc(bytes);
    if (!memory)
        firmware_fail("operator new: the heap is exhausted", NULL, 0);
    return memory;
}

void *new_one(size_t bytes) __asm__("_Znwm");
void *new_many(size_t bytes) __asm__("_Znam");
void delete_one(void *memory) __asm__("_ZdlPv");
void delete_many(void *memory) __asm__("_ZdaPv");
void delete_one_sized(void *memory, size_t bytes) __asm__("_ZdlPvm");
void delete_many_sized(void *memory, size_t bytes) __asm__("_ZdaPvm");

void *new_one(size_t bytes) { return made(bytes); }
void *new_many(size_t bytes) { return made(bytes); }
void delete_one(void *memory) { free(memory); }
void delete_many(void *memory) { free(memory); }
void delete_one_sized(void *memory, size_t bytes) { (void)bytes; free(memory); }
void delete_many_sized(void *memory, size_t bytes) { (void)bytes; free(memory); }

/* ---- the ends of a program; on a board it has none */

void abort(void)
{
    firmware_fail("abort()", NULL, 0);
}

void exit(int code)
{
    (void)code;
    firmware_fail("exit(): a board has nothing to return to", NULL, 0);
}

/* Those that would end, stop or replace the process that judges. A program that brings a function
 * of that name along, as ports of C libraries to boards do, keeps its own. */
#define ENDS(name)                                                            \
    __attribute__((weak, noreturn)) void name(int code)                       \
    {                                                                         \
        (void)code;                                                           \
        firmware_fail(#name "(): a board has nothing to return to", NULL, 0); \
    }

#define SYSTEM(name)                                                         \
    __attribute__((weak)) int name(void)                                     \
    {                                                                        \
        firmware_fail(#name "(): a board has no operating system", NULL, 0); \
    }

ENDS(_exit)
ENDS(_Exit)
ENDS(quick_exit)
SYSTEM(kill)
SYSTEM(killpg)
SYSTEM(raise)
SYSTEM(gsignal)
SYSTEM(pthread_kill)
SYSTEM(pthread_exit)
SYSTEM(tgkill)

__attribute__((weak)) int at_quick_exit(void (*action)(void))
{
    (void)action;
    return 0;
}

void __assert_fail(const char *claim, const char *file, unsigned line, const char *function)
{
    static char text[200];
    (void)function;
    snprintf(text, sizeof text, "assertion failed: %s", claim);
    firmware_fail(text, file, (int)line);
}

void __stack_chk_fail(void)
{
    firmware_fail("an array on the stack was written beyond its end", NULL, 0);
}

/* Nothing is tidied up at the end of a program that has none. */
int __cxa_atexit(void (*action)(void *), void *argument, void *library)
{
    (void)action, (void)argument, (void)library;
    return 0;
}

/* ---- random numbers: a sequence of this node's own (constants of the C standard's example) */

static uint32_t seed = 1;

void srand(unsigned start)
{
    seed = start;
}

int rand(void)
{
    uint32_t high;
    seed = seed * 1103515245u + 12345u;
    high = seed >> 16 & 0x7FFF;
    seed = seed * 1103515245u + 12345u;
    return (int)(high << 15 | (seed >> 16 & 0x7FFF));
}

/* ---- strtok() keeps its place in the program's own memory */

static char *token_place;

char *strtok(char *text, const char *between)
{
    return strtok_r(text, between, &token_place);
}

/* ---- output goes to the serial line */

#ifdef FIRMWARE_LONG_IS_INT
/* The program's long is an int here: %ld has to read one. */
static void shorten(char *to, size_t room, const char *format)
{
    char *end = to + room - 1;
    bool inside = false;
    for (; *format && to < end; format++) {
        if (*format == '%')
            inside = !inside;
        else if (inside && *format == 'l' && format[1] != 'l')
            continue;
        else if (inside && *format == 'l')
            *to++ = *format++;
        else if (inside && !strchr("0123456789.-+ #*hzjtL", *format))
            inside = false;
        *to++ = *format;
    }
    *to = 0;
}
#endif

extern int host_vsnprintf(char *, size_t, const char *, va_list) __asm__("vsnprintf");

int firmware_vsnprintf(char *to, size_t room, const char *format, va_list values)
{
#ifdef FIRMWARE_LONG_IS_INT
    char own[512];
    shorten(own, sizeof own, format);
    format = own;
#endif
    return host_vsnprintf(to, room, format, values);
}

int vprintf(const char *format, va_list values)
{
    char text[256];
    int length = firmware_vsnprintf(text, sizeof text, format, values);
    board_print(text);
    return length;
}

int printf(const char *format, ...)
{
    va_list values;
    va_start(values, format);
    int length = vprintf(format, values);
    va_end(values);
    return length;
}

#ifdef FIRMWARE_LONG_IS_INT
int snprintf(char *to, size_t room, const char *format, ...)
{
    va_list values;
    va_start(values, format);
    int length = firmware_vsnprintf(to, room, format, values);
    va_end(values);
    return length;
}

int sprintf(char *to, const char *format, ...)
{
    va_list values;
    va_start(values, format);
    int length = firmware_vsnprintf(to, (size_t)1 << 20, format, values);
    va_end(values);
    return length;
}
#endif

static bool is_serial(FILE *file)
{
    return file == stdout || file == stderr;
}

int vfprintf(FILE *file, const char *format, va_list values)
{
    (void)file; /* there is no other */
    return vprintf(format, values);
}

int fprintf(FILE *file, const char *format, ...)
{
    va_list values;
    (void)file;
    va_start(values, format);
    int length = vprintf(format, values);
    va_end(values);
    return length;
}

size_t fwrite(const void *data, size_t size, size_t count, FILE *file)
{
    if (!is_serial(file)) /* of the compiler's own library, which counts lines into files */
        return fwrite_unlocked(data, size, count, file);
    board_serial_write(data, size * count);
    return count;
}

int fputs(const char *text, FILE *file)
{
    (void)file;
    board_print(text);
    return 0;
}

int fputc(int byte, FILE *file)
{
    (void)file;
    return putchar(byte);
}

#undef putc
int putc(int byte, FILE *file)
{
    return fputc(byte, file);
}

int fflush(FILE *file)
{
    return !file || is_serial(file) ? 0 : fflush_unlocked(file);
}

int puts(const char *text)
{
    board_print(text);
    board_print("\n");
    return 0;
}

int putchar(int byte)
{
    char text = (char)byte;
    board_serial_write(&text, 1);
    return byte;
}
