/* inside.h: what the bench's own parts inside a firmware know of one another. */
#ifndef INSIDE_H
#define INSIDE_H

/* End the program here and report it. Without a file the place is found on the stack. */
void firmware_fail(const char *text, const char *file, int line) __attribute__((noreturn));

/* All that was allocated is gone. */
void firmware_forget_heap(void);

#endif
