/* SPI.h: the SPI port, with one chip on it: the CAN controller of spi_can.h. */
#ifndef SKETCH_SPI_H
#define SKETCH_SPI_H
#include "Arduino.h"
#include "spi_can.h"

enum { SPI_MODE0, SPI_MODE1 = 4, SPI_MODE2 = 8, SPI_MODE3 = 12 };
enum { SPI_CLOCK_DIV4, SPI_CLOCK_DIV16, SPI_CLOCK_DIV64, SPI_CLOCK_DIV128, SPI_CLOCK_DIV2,
       SPI_CLOCK_DIV8, SPI_CLOCK_DIV32 };
#define SPI_HAS_TRANSACTION 1

class SPISettings {
public:
    SPISettings(uint32_t = 4000000, uint8_t = MSBFIRST, uint8_t = SPI_MODE0) {}
};

class SPIClass {
public:
    void begin()
    {
        begun_ = true;
        spi_can::chip.attach();
    }
    void begin(int, int, int, int = -1) { begin(); }
    void end() { begun_ = false; }
    void beginTransaction(SPISettings) {}
    void endTransaction() {}
    void usingInterrupt(int) {}
    void setClockDivider(uint8_t) {}
    void setBitOrder(uint8_t) {}
    void setDataMode(uint8_t) {}
    void setFrequency(uint32_t) {}

    /* One byte takes as long as one call to the board. A port that is off never says that a byte
     * has gone: an 8-bit processor waits for that for ever. */
    uint8_t transfer(uint8_t out)
    {
        if (!begun_)
            firmware_fail("SPI.transfer() while the port is off: on the board it waits for ever;"
                          " expected SPI.begin() before it", NULL, 0);
        board_delay_us(0);
        return spi_can::chip.transfer(out);
    }
    uint16_t transfer16(uint16_t out)
    {
        uint8_t high = transfer((uint8_t)(out >> 8));
        return (uint16_t)(high << 8 | transfer((uint8_t)out));
    }
    void transfer(void *data, size_t length)
    {
        for (size_t i = 0; i < length; i++)
            ((uint8_t *)data)[i] = transfer(((uint8_t *)data)[i]);
    }

private:
    bool begun_ = false;
};

inline SPIClass SPI;

#endif
