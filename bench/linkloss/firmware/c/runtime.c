/* runtime.c: stacks for firmwares, and what happens when one crashes.
 *
 * Compiled once and loaded once into a process. A firmware gets a stack of its own with a guard
 * page below it; machine_resume() goes over to it and comes back when the firmware asks for
 * something, so that nothing of it stands on Python's stack while others run. A signal that its
 * instructions cause is turned into such a request, and so is a call of the operating system: a
 * board has none, and one of them would end the process that judges.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <ucontext.h>
#include <unistd.h>

#include "machine.h"

enum { GUARD_BYTES = 65536, SIGNAL_STACK_BYTES = 65536, WORDS_SEARCHED = 4096 };

struct core {
    struct machine machine; /* first: a pointer to the one points to the other */
    ucontext_t bench, firmware;
    char *stack;
    size_t stack_bytes;
};

static __thread struct core *running;
static __thread int has_signal_stack;
static const int FAULTS[] = {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT, SIGSYS};
static struct sigaction before[NSIG];

/* While a firmware runs, the kernel turns a call into SIGSYS (syscall user dispatch, Linux 5.11 on
 * x86; elsewhere only the calls that libc.c stands in for are caught). Processes that are forked
 * begin without it. */
#ifndef PR_SET_SYSCALL_USER_DISPATCH
#define PR_SET_SYSCALL_USER_DISPATCH 59
#define PR_SYS_DISPATCH_ON 1
#endif
enum { CALLS_PASS, CALLS_STOP };
static __thread volatile char calls = CALLS_PASS;

static void give_back(struct core *core, int request)
{
    int own_errno = errno; /* the bench and its other firmwares have theirs */
    core->machine.request = request;
    running = NULL;
    calls = CALLS_PASS;
    swapcontext(&core->firmware, &core->bench);
    calls = CALLS_STOP;
    errno = own_errno;
}

static void ask(struct machine *machine, int request)
{
    give_back((struct core *)machine, request);
}

/* ---- crashes */

static int inside(const struct machine *machine, uint64_t address)
{
    return machine->text_begin <= address && address < machine->text_end;
}

/* Where the firmware was: the instruction itself if it is the firmware's, then whatever on the
 * stack leads back into it, the newest first. Which of them is the user's is for the bench to say. */
static void note_places(struct core *core, uint64_t place, uint64_t stack_pointer)
{
    struct machine *machine = &core->machine;
    uint64_t end = (uint64_t)core->stack + core->stack_bytes;
    machine->places_length = 0;
    if (inside(machine, place))
        machine->places[machine->places_length++] = place;
    if (stack_pointer < (uint64_t)core->stack + GUARD_BYTES || stack_pointer >= end)
        return;
    const uint64_t *word = (const uint64_t *)((stack_pointer + 7) & ~7ull);
    for (int i = 0; i < WORDS_SEARCHED && (uint64_t)(word + 1) <= end; i++, word++) {
        if (machine->places_length == sizeof machine->places / sizeof *machine->places)
            return;
        if (inside(machine, *word))
            machine->places[machine->places_length++] = *word - 1; /* the call, not what follows */
    }
}

static void fail(struct machine *machine, const char *text, const char *file, int line)
{
    struct core *core = (struct core *)machine;
    machine->what = text;
    machine->file = file;
    machine->line = line;
    note_places(core, 0, (uint64_t)__builtin_frame_address(0));
    give_back(core, ASK_CRASHED);
    abort(); /* nobody resumes a firmware that has crashed */
}

enum { INSTRUCTION_BYTES = 2 }; /* of a call, where the kernel can turn it into a signal */

static void registers(void *context, uint64_t *place, uint64_t *stack_pointer)
{
    mcontext_t *saved = &((ucontext_t *)context)->uc_mcontext;
#if defined(__x86_64__)
    *place = (uint64_t)saved->gregs[REG_RIP];
    *stack_pointer = (uint64_t)saved->gregs[REG_RSP];
#elif defined(__aarch64__)
    *place = saved->pc;
    *stack_pointer = saved->sp;
#else
    (void)saved;
    *place = *stack_pointer = 0;
#endif
}

static void end_firmware(struct core *core, int signal, void *context)
{
    uint64_t place, stack_pointer;
    calls = CALLS_PASS;
    registers(context, &place, &stack_pointer);
    core->machine.signal = signal;
    if (signal == SIGSYS)
        place -= INSTRUCTION_BYTES; /* it points behind the call */
    note_places(core, place, stack_pointer);
    uint64_t lowest = (uint64_t)core->stack;
    uint64_t address = core->machine.fault_address;
    if (signal == SIGSEGV && address >= lowest && address < lowest + GUARD_BYTES)
        core->machine.what = "stack overflow";
    core->machine.request = ASK_CRASHED;
    running = NULL;
    setcontext(&core->bench);
}

static void on_fault(int signal, siginfo_t *info, void *context)
{
    struct core *core = running;
    if (core == NULL) { /* not ours: whoever was here before sees it happen again */
        sigaction(signal, &before[signal], NULL);
        return;
    }
    core->machine.fault_address = (uint64_t)info->si_addr;
    end_firmware(core, signal, context);
}

/* What the C library does to find memory, or to return from a handler, is not the firmware's. */
static int harmless(int number)
{
    static const int numbers[] = {SYS_brk, SYS_mmap, SYS_munmap, SYS_mremap, SYS_madvise,
                                  SYS_futex, SYS_getrandom, SYS_rt_sigprocmask, SYS_rt_sigreturn};
    for (size_t i = 0; i < sizeof numbers / sizeof *numbers; i++)
        if (numbers[i] == number)
            return 1;
    return 0;
}

static void on_call(int signal, siginfo_t *info, void *context)
{
    struct core *core = running;
    uint64_t place, stack_pointer;
    calls = CALLS_PASS;
    registers(context, &place, &stack_pointer);
    int own = core != NULL && (uint64_t)core->stack <= stack_pointer
              && stack_pointer < (uint64_t)core->stack + core->stack_bytes;
    if (own && !harmless(info->si_syscall)) {
        core->machine.fault_address = (uint64_t)info->si_syscall;
        end_firmware(core, signal, context);
    }
#if defined(__x86_64__)
    /* That of a handler of somebody else's, say: it is made again, and passes. */
    ((ucontext_t *)context)->uc_mcontext.gregs[REG_RIP] -= INSTRUCTION_BYTES;
#endif
}

static void stop_calls(void)
{
#if defined(__x86_64__)
    prctl(PR_SET_SYSCALL_USER_DISPATCH, PR_SYS_DISPATCH_ON, 0ul, 0ul, &calls);
#endif
}

/* A tick of processor time: a firmware that made no call for several of them never will. */
static uint64_t calls_seen;
static int idle_ticks;
static int ticks_allowed;

static void on_tick(int signal, siginfo_t *info, void *context)
{
    (void)info;
    struct core *core = running;
    calls = CALLS_PASS; /* to return from here is a call; the firmware's next question ends this */
    if (core == NULL || core->machine.calls != calls_seen) {
        calls_seen = core == NULL ? 0 : core->machine.calls;
        idle_ticks = 0;
        return;
    }
    if (++idle_ticks >= ticks_allowed) {
        core->machine.what = "endless loop without a call to the board";
        end_firmware(core, signal, context);
    }
}

static void handle(int signal, void (*handler)(int, siginfo_t *, void *))
{
    struct sigaction action;
    memset(&action, 0, sizeof action);
    action.sa_sigaction = handler;
    action.sa_flags = SA_SIGINFO | SA_ONSTACK | SA_RESTART;
    sigaction(signal, &action, &before[signal]);
}

static int watching;

/* Others may have put handlers and a signal stack of their own in the place of ours meanwhile. */
static void keep_watch(void)
{
    struct sigaction now;
    for (size_t i = 0; watching && i < sizeof FAULTS / sizeof *FAULTS; i++) {
        void (*ours)(int, siginfo_t *, void *) = FAULTS[i] == SIGSYS ? on_call : on_fault;
        if (sigaction(FAULTS[i], NULL, &now) == 0 && now.sa_sigaction != ours)
            handle(FAULTS[i], ours);
    }
    has_signal_stack = 0;
}

/* Begin to watch over firmwares in this process; again after a fork, which ends its timers. */
void machine_watch(int tick_ms, int ticks)
{
    if (!watching)
        handle(SIGVTALRM, on_tick);
    watching = 1;
    keep_watch();
    ticks_allowed = ticks;
    struct itimerval timer = {{0, tick_ms * 1000}, {0, tick_ms * 1000}};
    setitimer(ITIMER_VIRTUAL, &timer, NULL);
}

static void have_signal_stack(void)
{
    stack_t stack;
    has_signal_stack = 1;
    stop_calls();
    sigaltstack(NULL, &stack);
    if (!(stack.ss_flags & SS_DISABLE) && stack.ss_size >= SIGNAL_STACK_BYTES / 4)
        return;
    memset(&stack, 0, sizeof stack);
    stack.ss_sp = malloc(SIGNAL_STACK_BYTES);
    stack.ss_size = SIGNAL_STACK_BYTES;
    sigaltstack(&stack, NULL);
}

/* ---- runs */

struct machine *machine_new(uint64_t stack_bytes)
{
    struct core *core = calloc(1, sizeof *core);
    if (core == NULL)
        return NULL;
    core->stack_bytes = GUARD_BYTES + stack_bytes;
    core->stack = mmap(NULL, core->stack_bytes, PROT_READ | PROT_WRITE,
                       MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    if (core->stack == MAP_FAILED) {
        free(core);
        return NULL;
    }
    mprotect(core->stack, GUARD_BYTES, PROT_NONE);
    return &core->machine;
}

void machine_free(struct machine *machine)
{
    struct core *core = (struct core *)machine;
    munmap(core->stack, core->stack_bytes);
    free(core);
}

static void first_step(void)
{
    struct machine *machine = &running->machine;
    calls = CALLS_STOP;
    errno = 0;
    machine->start(machine);
    fail(machine, "the program came to its end", NULL, 0);
}

/* A new run: everything is forgotten, the next resume begins with start(). */
void machine_begin(struct machine *machine, void (*start)(struct machine *))
{
    struct core *core = (struct core *)machine;
    keep_watch();
    memset(machine, 0, sizeof *machine);
    machine->ask = ask;
    machine->fail = fail;
    machine->start = start;
    getcontext(&core->firmware);
    core->firmware.uc_stack.ss_sp = core->stack + GUARD_BYTES;
    core->firmware.uc_stack.ss_size = core->stack_bytes - GUARD_BYTES;
    core->firmware.uc_link = NULL;
    makecontext(&core->firmware, first_step, 0);
}

/* Let the firmware go on until it asks for something. Returns what it asks for. */
int machine_resume(struct machine *machine)
{
    struct core *core = (struct core *)machine;
    if (!has_signal_stack)
        have_signal_stack();
    running = core;
    swapcontext(&core->bench, &core->firmware);
    return machine->request;
}
