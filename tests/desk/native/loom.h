/* loom.h: the wires between the node and the I/O board, as memory that both programs share.
 *
 * A wire has a duty from 0 (low) to 255 (high). LATE is no wire: how many milliseconds later than it
 * asked for this computer let the node go on, at most; no chip is late like that.
 */
#ifndef LOOM_H
#define LOOM_H

#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { FELT = 0, DRIVEN = 32, RELAY = 48, LATE = 60, MEMORY = 64, LOOM_SIZE = 1024 };
enum { SUPPLY_RELAY = RELAY, PLUG_RELAY = RELAY + 1, RESET_RELAY = RELAY + 2 };

static inline volatile uint8_t *open_loom(const char *path)
{
    int file = open(path, O_RDWR);
    void *found = file < 0 ? MAP_FAILED
                           : mmap(0, LOOM_SIZE, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
    if (found == MAP_FAILED) {
        perror(path);
        exit(2);
    }
    return (volatile uint8_t *)found;
}

static inline uint64_t clock_us(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u;
}

/* A pseudo-terminal whose other end the bench opens; its name goes to the standard output. */
static inline int open_line(void)
{
    int line = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    struct termios raw;
    if (line < 0 || grantpt(line) || unlockpt(line) || tcgetattr(line, &raw)) {
        perror("pseudo-terminal");
        exit(2);
    }
    cfmakeraw(&raw);
    tcsetattr(line, TCSANOW, &raw);
    open(ptsname(line), O_RDWR | O_NOCTTY); /* stays open, so that no end of the line is seen */
    puts(ptsname(line));
    fflush(stdout);
    return line;
}

#endif
