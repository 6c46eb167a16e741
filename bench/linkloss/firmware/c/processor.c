/* processor.c: a processor's process: its way to the bench, and what the chip beside it asks. */
#define _GNU_SOURCE
#include "processor.h"

#include <setjmp.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include "board.h"
#include "inside.h"

struct image image;
struct equipment equipment;
static int way;
static jmp_buf anew;
static int known;  /* the controller's status is the one in `board` */

/* ---- commands */

static int descriptor_in(struct msghdr *message)
{
    struct cmsghdr *part = CMSG_FIRSTHDR(message);
    int found = -1;
    if (part && part->cmsg_type == SCM_RIGHTS)
        memcpy(&found, CMSG_DATA(part), sizeof found);
    return found;
}

static void reply(void)
{
    if (send(way, &image, sizeof image, MSG_NOSIGNAL) != sizeof image)
        _exit(0); /* the bench is gone */
}

static void receive(void)
{
    for (;;) {
        union {
            struct cmsghdr align;
            char room[CMSG_SPACE(sizeof(int))];
        } control;
        struct iovec part = {&image, sizeof image};
        struct msghdr message = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = control.room,
                                 .msg_controllen = sizeof control.room};
        if (recvmsg(way, &message, MSG_CMSG_CLOEXEC) != sizeof image)
            _exit(0);
        if (image.command != TWIN)
            return;
        int other = descriptor_in(&message);
        if (fork() == 0) {
            close(way);
            way = other;
        } else {
            close(other);
            reply();
        }
    }
}

void ask(int request)
{
    processor_asks();
    board.request = request;
    known = known && request == ASK_STATUS;
    reply();
    receive();
    if (image.command == RESET)
        longjmp(anew, 1);
    processor_answered();
}

void come_up(void)
{
    uint64_t then_ns = processor_ns();
    while (board.now_ns < then_ns) {
        board.until_ns = then_ns;
        ask(ASK_WAIT);
    }
}

_Noreturn void crash(const char *what, const char *where)
{
    snprintf(image.what, sizeof image.what, "%s", what);
    snprintf(image.where, sizeof image.where, "%s", where ? where : "");
    for (;;)
        ask(ASK_CRASHED);
}

/* ---- what chip.cpp calls: the functions of board.h that cost a chip no time */

void board_on_can(uint8_t events, board_handler handler)
{
    (void)handler;
    board.can_events = events;
}

void board_print(const char *text)
{
    size_t length = strcspn(text, "\n");
    board.text_length = (uint32_t)(length < sizeof board.text ? length : sizeof board.text);
    memcpy(board.text, text, board.text_length);
    come_up();
    ask(ASK_PRINT);
}

void board_pin_feed(uint8_t pin, bool level)
{
    (void)pin;
    if (equipment.interrupt != WITHOUT)
        processor_feed(equipment.interrupt, level);
}

enum board_can_result board_can_send(const struct board_frame *frame)
{
    come_up();
    board.id = frame->id;
    board.extended = frame->extended;
    board.remote = frame->remote;
    board.length = frame->length;
    memcpy(board.data, frame->data, sizeof board.data);
    ask(ASK_SEND);
    return (enum board_can_result)board.result;
}

bool board_can_receive(struct board_frame *frame)
{
    if (!board.waiting)
        return false;
    ask(ASK_RECEIVE);
    if (!board.result)
        return false;
    frame->id = board.id;
    frame->extended = board.extended;
    frame->remote = board.remote;
    frame->length = board.length;
    memcpy(frame->data, board.data, sizeof board.data);
    return true;
}

/* Nothing changes at the controller while nobody else does anything, so it is asked only then. */
void board_can_status(struct board_can_status *status)
{
    if (!known) {
        ask(ASK_STATUS);
        known = 1;
    }
    status->state = (enum board_can_state)board.state;
    status->tec = board.tec;
    status->rec = board.rec;
    status->sent = board.sent;
    status->overruns = board.overruns;
    status->pending = (uint8_t)board.frames_pending;
    status->waiting = (uint8_t)(board.waiting > 255 ? 255 : board.waiting);
}

void board_can_abort(void)
{
    come_up();
    ask(ASK_ABORT);
}

void board_can_recover(void)
{
    come_up();
    ask(ASK_RECOVER);
}

void board_can_mode(enum board_can_mode mode)
{
    come_up();
    board.a = mode;
    ask(ASK_MODE);
}

void board_can_one_shot(bool one_shot)
{
    come_up();
    board.a = one_shot;
    ask(ASK_ONE_SHOT);
}

void board_can_accept_all(void)
{
    come_up();
    ask(ASK_ACCEPT_ALL);
}

void firmware_fail(const char *text, const char *file, int line)
{
    (void)line;
    crash(text, file);
}

void firmware_chip(int fate, int place)
{
    if (!board.watched)
        return;
    board.a = fate;
    board.b = place;
    ask(ASK_CHIP);
}

int firmware_lets_in(uint32_t id, int extended)
{
    return board.lets_in && board.lets_in_id == id && board.lets_in_extended == (extended != 0);
}

int firmware_roomy(void)
{
    return board.roomy;
}

/* ---- the way in */

static uint8_t *taken(size_t length)
{
    uint8_t *made = malloc(length + 1);
    if (!made || fread(made, 1, length, stdin) != length)
        _exit(1);
    return made;
}

int main(int count, char **words)
{
    if (count != 2)
        return 1;
    way = atoi(words[1]);
    prctl(PR_SET_NAME, "linkloss image");
    signal(SIGCHLD, SIG_IGN); /* twins are not waited for */
    if (fread(&equipment, 1, sizeof equipment, stdin) != sizeof equipment)
        return 1;
    uint8_t *flash = taken(equipment.flash_length);
    uint8_t *eeprom = taken(equipment.eeprom_length);
    uint8_t *scalars = taken(equipment.scalars_length);
    processor_make(flash, eeprom, (const struct scalar_place *)scalars);
    free(flash);
    free(eeprom);
    free(scalars);
    if (setjmp(anew) == 0)
        receive();
    known = 0;
    processor_reset();
    if (equipment.select != WITHOUT)
        chip_begin();
    processor_run();
}
