/* EEPROM.h: the board's memory that outlives a reset. */
#ifndef SKETCH_EEPROM_H
#define SKETCH_EEPROM_H
#include "Arduino.h"

class EEPROMClass {
public:
    void begin(int = 0) {}
    bool commit() { return true; }
    uint16_t length() { return board_memory_size(); }
    uint8_t read(int address)
    {
        uint8_t value;
        board_memory_read((uint16_t)address, &value, 1);
        return value;
    }
    void write(int address, uint8_t value) { board_memory_write((uint16_t)address, &value, 1); }
    void update(int address, uint8_t value)
    {
        if (read(address) != value)
            write(address, value);
    }
    template <class T> T &get(int address, T &value)
    {
        board_memory_read((uint16_t)address, &value, sizeof value);
        return value;
    }
    template <class T> const T &put(int address, const T &value)
    {
        board_memory_write((uint16_t)address, &value, sizeof value);
        return value;
    }
};

inline EEPROMClass EEPROM;

#endif
