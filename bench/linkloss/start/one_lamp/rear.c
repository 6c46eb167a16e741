/* rear.c: your rear node. It switches one lamp, as a message asks, and lights it when in doubt.
 *
 * Everything that it may call stands in board.h. Try what happens when you take a part away: the
 * watchdog, the time-out, the recovery from bus-off.
 */
#include "board.h"

enum { TAIL_LAMP = 3, LAMP_REQUEST = 160, REAR_STATUS = 514, LOST_AFTER_MS = 250, MAX_STEP = 5,
       STATUS_MS = 100 };

static uint32_t heard_ms, sent_ms;
static bool heard, asked, counted;
static uint8_t count, good; /* the last counter; good messages in a row since the link was lost */

/* CRC-8 of SAE J1850 over the identifier, high byte first, and the payload behind the checksum. */
static uint8_t crc8(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (int bit = 0; bit < 8; bit++)
        crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ 0x1D : crc << 1);
    return crc;
}

/* A message counts if its checksum is right and its counter has moved, but not too far. After a
 * silence it takes two: one alone may come from a sender that repeats itself for ever. */
static void take(const struct board_frame *frame, uint32_t now_ms)
{
    uint8_t step = (uint8_t)((frame->data[1] & 0x0F) - count) & 0x0F;
    uint8_t crc = crc8(crc8(crc8(0xFF, 0), LAMP_REQUEST), frame->data[1]) ^ 0xFF;
    if (frame->data[0] != crc || (counted && (step == 0 || step > MAX_STEP)))
        return;
    counted = true;
    count = frame->data[1] & 0x0F;
    heard_ms = now_ms;
    if (!heard && ++good < 2)
        return;
    heard = true;
    asked = frame->data[1] & 0x10;
}

static void send_status(uint32_t now_ms, bool lost)
{
    struct board_frame frame = {.id = REAR_STATUS, .length = 1};
    frame.data[0] = lost;
    enum board_can_result result = board_can_send(&frame);
    if (result == BOARD_CAN_IS_BUS_OFF)
        board_can_recover();
    if (result == BOARD_CAN_OK)
        sent_ms = now_ms;
}

void setup(void)
{
    board_pin_write(TAIL_LAMP, true); /* the level first, then the pin: lit until told otherwise */
    board_pin_mode(TAIL_LAMP, BOARD_OUTPUT);
    board_watchdog_start(200);
    heard_ms = board_ms();
}

void loop(void)
{
    struct board_frame frame;
    uint32_t now_ms = board_ms();
    while (board_can_receive(&frame))
        if (frame.id == LAMP_REQUEST && !frame.extended && !frame.remote && frame.length == 2)
            take(&frame, now_ms);
    if (now_ms - heard_ms >= LOST_AFTER_MS) /* a difference: right when the counter rolls over */
        heard = counted = good = 0;
    board_pin_write(TAIL_LAMP, heard ? asked : true);
    if (now_ms - sent_ms >= STATUS_MS)
        send_status(now_ms, !heard);
    board_watchdog_feed();
    board_delay_ms(1);
}
