/* FlexCAN_T4.h: the usual calls to the CAN controllers inside a family of fast small boards: a bus
 * class with read() and write() of a CAN_message_t.
 *
 * Written from the calls that sketches make (from memory). One bus is there, whatever its number; it
 * comes back from bus-off by itself. Mailbox filters are not there: every frame is received.
 */
#ifndef SKETCH_FLEXCAN_T4_H
#define SKETCH_FLEXCAN_T4_H

#include "on_chip_can.h"

enum CAN_DEV_TABLE { CAN0, CAN1, CAN2, CAN3 };
enum FLEXCAN_RXQUEUE_TABLE { RX_SIZE_2 = 2, RX_SIZE_4 = 4, RX_SIZE_8 = 8, RX_SIZE_16 = 16,
                             RX_SIZE_32 = 32, RX_SIZE_64 = 64, RX_SIZE_128 = 128,
                             RX_SIZE_256 = 256 };
enum FLEXCAN_TXQUEUE_TABLE { TX_SIZE_2 = 2, TX_SIZE_4 = 4, TX_SIZE_8 = 8, TX_SIZE_16 = 16,
                             TX_SIZE_32 = 32, TX_SIZE_64 = 64, TX_SIZE_128 = 128,
                             TX_SIZE_256 = 256 };

typedef struct CAN_message_t {
    uint32_t id = 0;
    struct {
        bool extended = false;
        bool remote = false;
    } flags;
    uint8_t len = 8;
    uint8_t buf[8] = {};
} CAN_message_t;

template <CAN_DEV_TABLE, FLEXCAN_RXQUEUE_TABLE rx = RX_SIZE_16, FLEXCAN_TXQUEUE_TABLE tx = TX_SIZE_16>
class FlexCAN_T4 {
public:
    void begin()
    {
        on_chip_can::driver.received.limit(rx);
        on_chip_can::driver.sending.limit(tx);
    }

    void setBaudRate(uint32_t rate)
    {
        on_chip_can::check_bit_rate(rate);
        on_chip_can::driver.start(BOARD_CAN_NORMAL);
    }

    int read(CAN_message_t &message)
    {
        board_frame frame;
        if (!on_chip_can::driver.receive(frame))
            return 0;
        message.id = frame.id;
        message.flags.extended = frame.extended;
        message.flags.remote = frame.remote;
        message.len = frame.length;
        memcpy(message.buf, frame.data, sizeof frame.data);
        return 1;
    }

    int write(const CAN_message_t &message)
    {
        board_frame frame = {message.id, message.flags.extended, message.flags.remote, message.len,
                             {}};
        if (message.len > 8)
            return 0;
        memcpy(frame.data, message.buf, sizeof frame.data);
        return on_chip_can::driver.send(frame);
    }
};

#endif
