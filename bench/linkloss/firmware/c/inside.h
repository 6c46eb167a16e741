/* inside.h: what the bench's own parts inside a firmware know of one another. */
#ifndef INSIDE_H
#define INSIDE_H
#include <stdint.h>

/* End the program here and report it. Without a file the place is found on the stack. */
void firmware_fail(const char *text, const char *file, int line) __attribute__((noreturn));

/* All that was allocated is gone. */
void firmware_forget_heap(void);

/* What a chip did with the frame that it took last: 1 refused by a filter, 2 lost for want of room,
 * 3 held at a place; or 4: the frame at that place was read. */
void firmware_chip(int fate, int place);

/* Whether a filter of the chip has to pass a frame, whatever it says. */
int firmware_lets_in(uint32_t id, int extended);

/* Whether the chip takes a frame only when it has room for it. */
int firmware_roomy(void);

#endif
