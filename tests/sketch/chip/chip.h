/* A chip library in small, written for these tests: the common call shapes over the registers. */
#ifndef CHIP_H
#define CHIP_H
#include <SPI.h>

struct can_frame {
    uint32_t can_id; /* bit 31: 29 bits; bit 30: remote */
    uint8_t can_dlc;
    uint8_t data[8];
};

class Chip {
public:
    enum { OK, FAIL, FULL, NONE };
    explicit Chip(uint8_t cs) : cs_(cs) {}

    /* the shape with a bit rate, a mode and separate values */
    byte begin(unsigned long rate);
    byte setMode(byte mode);
    byte checkReceive();
    byte readMsgBuf(unsigned long *id, byte *length, byte *data);
    byte sendMsgBuf(unsigned long id, byte extended, byte length, const byte *data);

    /* the shape with a struct */
    int readMessage(struct can_frame *frame);
    int sendMessage(const struct can_frame *frame);

private:
    byte talk(const byte *out, byte *in, byte length);
    byte get(byte address);
    void put(byte address, byte value);

    uint8_t cs_;
};
#endif
