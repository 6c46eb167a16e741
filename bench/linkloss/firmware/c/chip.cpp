/* chip.cpp: the SPI CAN controller that sketches have, beside a processor that runs an image.
 *
 * The register model is spi_can.h, unchanged. There the calls of a sketch's board stand behind it;
 * here it finds its pins by their part, and the board's functions in processor.c.
 */
#define ARDUINO_H /* a chip does without the calls of a sketch */
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "board.h"

extern "C" {
#define _Noreturn
#include "processor.h"
#undef board
}

enum { LOW, HIGH };
static void (*sketch_listener)(uint8_t pin, uint8_t level);

enum { SELECT = 1, INTERRUPT };
#define SPI_CAN_CS SELECT
#define SPI_CAN_INT INTERRUPT
#define SPI_CAN_CLOCK equipment.oscillator_hz
#define BOARD_BIT_RATE equipment.bit_rate
#define BOARD_SAMPLE_LEAST (unsigned)equipment.sample_least
#define BOARD_SAMPLE_MOST (unsigned)equipment.sample_most
#include "spi_can.h"

extern "C" {

void chip_begin(void)
{
    spi_can::chip = spi_can::Chip();
    spi_can::chip.attach();
    (void)sketch_listener; /* the processor tells of the only pin that matters */
}

void chip_select(int level)
{
    spi_can::chip.pin(SELECT, level ? HIGH : LOW);
}

uint8_t chip_transfer(uint8_t out)
{
    return spi_can::chip.transfer(out);
}

void chip_service(void)
{
    spi_can::chip.service();
}

}
