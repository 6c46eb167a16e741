/* esp32_can.h: the usual calls of sketches that send and read a CAN_FRAME through one object CAN0.
 *
 * Written from the calls that sketches make (from memory). It comes back from bus-off by itself.
 * watchFor() sets one acceptance filter for each call; callbacks are not there.
 */
#ifndef SKETCH_ESP32_CAN_H
#define SKETCH_ESP32_CAN_H

#include "on_chip_can.h"

typedef union {
    uint64_t uint64;
    uint32_t uint32[2];
    uint16_t uint16[4];
    uint8_t uint8[8];
    uint8_t bytes[8];
    uint8_t byte[8];
} BytesUnion;

class CAN_FRAME {
public:
    uint32_t id = 0;
    bool extended = false;
    uint8_t rtr = 0;
    uint8_t length = 0;
    BytesUnion data = {};
};

class ESP32CAN {
public:
    uint32_t begin(uint32_t rate, uint8_t = 255)
    {
        on_chip_can::check_bit_rate(rate);
        on_chip_can::driver.received.limit(64);
        on_chip_can::driver.sending.limit(16);
        on_chip_can::driver.start(BOARD_CAN_NORMAL);
        return rate;
    }

    int watchFor()
    {
        board_can_accept_all();
        return 0;
    }
    int watchFor(uint32_t id) { return watchFor(id, id > 0x7FF ? 0x1FFFFFFF : 0x7FF); }
    int watchFor(uint32_t id, uint32_t mask) { return watchFor(id, mask, id > 0x7FF); }
    int watchFor(uint32_t id, uint32_t mask, bool extended)
    {
        board_can_filter(id, mask, extended);
        return 0;
    }

    uint16_t available()
    {
        board_delay_us(0);
        return (uint16_t)on_chip_can::driver.received.count();
    }

    uint32_t read(CAN_FRAME &message)
    {
        board_frame frame;
        if (!on_chip_can::driver.receive(frame))
            return 0;
        message.id = frame.id;
        message.extended = frame.extended;
        message.rtr = frame.remote;
        message.length = frame.length;
        memcpy(message.data.uint8, frame.data, sizeof frame.data);
        return 1;
    }

    bool sendFrame(CAN_FRAME &message)
    {
        board_frame frame = {message.id, message.extended, message.rtr != 0, message.length, {}};
        if (message.length > 8)
            return false;
        memcpy(frame.data, message.data.uint8, sizeof frame.data);
        return on_chip_can::driver.send(frame);
    }
};

inline ESP32CAN CAN0;

#endif
