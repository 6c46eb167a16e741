#include "chip.h"

byte Chip::talk(const byte *out, byte *in, byte length)
{
    SPI.beginTransaction(SPISettings(10000000, MSBFIRST, SPI_MODE0));
    digitalWrite(cs_, LOW);
    for (byte i = 0; i < length; i++) {
        byte answer = SPI.transfer(out[i]);
        if (in)
            in[i] = answer;
    }
    digitalWrite(cs_, HIGH);
    SPI.endTransaction();
    return in ? in[length - 1] : 0;
}

byte Chip::get(byte address)
{
    byte out[3] = {0x03, address, 0}, in[3];
    return talk(out, in, 3);
}

void Chip::put(byte address, byte value)
{
    byte out[3] = {0x02, address, value};
    talk(out, nullptr, 3);
}

byte Chip::begin(unsigned long rate)
{
    byte reset = 0xC0;
    pinMode(cs_, OUTPUT);
    digitalWrite(cs_, HIGH);
    SPI.begin();
    talk(&reset, nullptr, 1);
    delay(1);
    if ((get(0x0E) & 0xE0) != 0x80)
        return FAIL;
    put(0x2A, rate == 500000 ? 0x40 : 0x41);
    put(0x29, 0xB1);
    put(0x28, 0x05);
    put(0x60, 0x64);
    put(0x70, 0x60);
    put(0x2B, 0x03);
    return OK;
}

byte Chip::setMode(byte mode)
{
    byte modify[4] = {0x05, 0x0F, 0xE0, mode};
    talk(modify, nullptr, 4);
    for (unsigned long began = millis(); millis() - began < 10;)
        if ((get(0x0E) & 0xE0) == mode)
            return OK;
    return FAIL;
}

byte Chip::checkReceive()
{
    byte out[2] = {0xA0, 0}, in[2];
    return talk(out, in, 2) & 3 ? 3 : 4;
}

int Chip::readMessage(struct can_frame *frame)
{
    byte out[2] = {0xA0, 0}, in[14], ask[14] = {};
    byte status = talk(out, in, 2);
    if (!(status & 3))
        return NONE;
    ask[0] = status & 1 ? 0x90 : 0x94;
    talk(ask, in, 14);
    frame->can_id = (uint32_t)in[1] << 3 | in[2] >> 5;
    if (in[2] & 0x08)
        frame->can_id = frame->can_id << 18 | (uint32_t)(in[2] & 3) << 16 | in[3] << 8 | in[4] |
                        0x80000000UL;
    frame->can_dlc = in[5] & 0x0F;
    memcpy(frame->data, in + 6, 8);
    return OK;
}

int Chip::sendMessage(const struct can_frame *frame)
{
    uint32_t id = frame->can_id & 0x1FFFFFFF;
    for (byte n = 0; n < 3; n++) {
        if (get(0x30 + 0x10 * n) & 0x08)
            continue;
        byte load[14] = {(byte)(0x40 + 2 * n), (byte)(id >> 3), (byte)(id << 5), 0, 0,
                         frame->can_dlc}, request = 0x80 | 1 << n;
        if (frame->can_id & 0x80000000UL) {
            load[1] = id >> 21;
            load[2] = (id >> 13 & 0xE0) | 0x08 | (id >> 16 & 3);
            load[3] = id >> 8;
            load[4] = id;
        }
        memcpy(load + 6, frame->data, 8);
        talk(load, nullptr, 14);
        talk(&request, nullptr, 1);
        return OK;
    }
    return FULL;
}

byte Chip::readMsgBuf(unsigned long *id, byte *length, byte *data)
{
    struct can_frame frame;
    if (readMessage(&frame) != OK)
        return NONE;
    *id = frame.can_id;
    *length = frame.can_dlc;
    memcpy(data, frame.data, frame.can_dlc);
    return OK;
}

byte Chip::sendMsgBuf(unsigned long id, byte extended, byte length, const byte *data)
{
    struct can_frame frame = {(uint32_t)id | (extended ? 0x80000000UL : 0UL), length, {}};
    memcpy(frame.data, data, length);
    return (byte)sendMessage(&frame);
}
