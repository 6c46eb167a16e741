/* on_chip_can.h: what the drivers of CAN controllers inside a processor have in common: a queue of
 * received frames and one of frames to send, filled and emptied by the controller's interrupt.
 *
 * The headers that sketches include (driver/twai.h, FlexCAN_T4.h, esp32_can.h) give it their faces.
 */
#ifndef ON_CHIP_CAN_H
#define ON_CHIP_CAN_H

#include "Arduino.h"

extern "C" void firmware_fail(const char *text, const char *file, int line);

namespace on_chip_can {

enum { QUEUE_MOST = 256 };

/* First in, first out. */
class Queue {
public:
    void limit(size_t most) { most_ = most < QUEUE_MOST ? most : QUEUE_MOST; clear(); }
    void clear() { first_ = count_ = 0; }
    size_t count() const { return count_; }
    bool full() const { return count_ >= most_; }
    const board_frame &front() const { return frames_[first_]; }
    void put(const board_frame &frame) { frames_[(first_ + count_++) % QUEUE_MOST] = frame; }
    void drop() { first_ = (first_ + 1) % QUEUE_MOST; count_--; }

private:
    board_frame frames_[QUEUE_MOST];
    size_t first_ = 0, count_ = 0, most_ = 16;
};

inline void on_event();

class Driver {
public:
    Queue received, sending;
    uint32_t missed = 0; /* received frames for which the queue had no room */
    bool comes_back = true; /* asks by itself to come back from bus-off */

    void start(enum board_can_mode mode)
    {
        board_on_can(BOARD_CAN_RECEIVED | BOARD_CAN_SENT | BOARD_CAN_STATE, on_event);
        ::board_can_mode(mode);
    }
    void stop() { ::board_can_mode(BOARD_CAN_OFF); }

    bool send(const board_frame &frame)
    {
        noInterrupts();
        bool taken = !sending.full();
        if (taken)
            sending.put(frame);
        interrupts();
        work();
        return taken;
    }

    bool receive(board_frame &frame)
    {
        board_delay_us(0);
        noInterrupts();
        bool there = received.count() > 0;
        if (there) {
            frame = received.front();
            received.drop();
        }
        interrupts();
        return there;
    }

    struct board_can_status status() const
    {
        struct board_can_status now;
        ::board_can_status(&now);
        return now;
    }

    /* One frame at a time is with the controller, as they are to go out in the order given. */
    void work()
    {
        noInterrupts();
        board_frame frame;
        while (board_can_receive(&frame))
            take(frame);
        struct board_can_status now = status();
        if (now.state == BOARD_CAN_BUS_OFF) {
            if (comes_back)
                board_can_recover();
        } else if (!now.pending && sending.count() &&
                   board_can_send(&sending.front()) == BOARD_CAN_OK) {
            sending.drop();
        }
        interrupts();
    }

private:
    void take(const board_frame &frame)
    {
        if (received.full())
            missed++;
        else
            received.put(frame);
    }
};

inline Driver driver;
inline void on_event() { driver.work(); }

/* Whether a bit rate is that of the bus; another one is a finding. */
inline void check_bit_rate(unsigned long rate)
{
#ifdef BOARD_BIT_RATE
    static char text[80];
    if (rate == BOARD_BIT_RATE)
        return;
    snprintf(text, sizeof text, "the CAN controller is set to %lu bit/s, the bus has %lu bit/s",
             (unsigned long)rate, (unsigned long)BOARD_BIT_RATE);
    firmware_fail(text, "the bit rate", 0);
#endif
}

} // namespace on_chip_can

#endif
