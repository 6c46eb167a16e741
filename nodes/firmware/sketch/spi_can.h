/* spi_can.h: the widespread SPI CAN controller with three transmit and two receive buffers, as its
 * registers show it; the board's own controller does what happens on the bus.
 *
 * Names of registers and bits are the data sheet's; all facts from memory of it (21801, "stand-alone
 * CAN controller with SPI interface"), none looked up.
 *
 * Set by definitions in the vehicle file:
 *     SPI_CAN_CS     its chip select, default 10
 *     SPI_CAN_INT    its interrupt output, default 2
 *     SPI_CAN_CLOCK  its oscillator in Hz, default 16000000
 *
 * What differs from the chip: a transmit buffer that was handed to the bus stays first even if one
 * of higher priority is requested meanwhile; TXRTS and RXnBF pins, clock output, wake-up and the
 * flags MLOA, TXERR and MERRF are not there.
 */
#ifndef SPI_CAN_H
#define SPI_CAN_H

#include "Arduino.h"

#ifndef SPI_CAN_CS
#define SPI_CAN_CS 10
#endif
#ifndef SPI_CAN_INT
#define SPI_CAN_INT 2
#endif
#ifndef SPI_CAN_CLOCK
#define SPI_CAN_CLOCK 16000000
#endif

extern "C" {
void firmware_fail(const char *text, const char *file, int line);
void firmware_chip(int fate, int place);
int firmware_lets_in(uint32_t id, int extended);
int firmware_roomy(void);
}

namespace spi_can {

enum Register : uint8_t { /* prefixed: libraries use the bare names */
    r_RXF0SIDH = 0x00, r_RXF3SIDH = 0x10, r_CANSTAT = 0x0E, r_CANCTRL = 0x0F, r_BFPCTRL = 0x0C,
    r_TXRTSCTRL = 0x0D, r_TEC = 0x1C, r_REC = 0x1D, r_RXM0SIDH = 0x20, r_RXM1SIDH = 0x24,
    r_CNF3 = 0x28, r_CNF2, r_CNF1, r_CANINTE, r_CANINTF, r_EFLG,
    r_TXB0CTRL = 0x30, r_RXB0CTRL = 0x60, r_RXB1CTRL = 0x70
};
enum : uint8_t { b_RX0IF = 1, b_TX0IF = 4, b_ERRIF = 0x20 };
enum : uint8_t { b_TXREQ = 0x08, b_ABTF = 0x40 };
enum : uint8_t { b_ABAT = 0x10, b_OSM = 0x08 };
enum : uint8_t { b_EWARN = 1, b_RXWAR = 2, b_TXWAR = 4, b_RXEP = 8, b_TXEP = 0x10, b_TXBO = 0x20,
                 b_RX0OVR = 0x40 };
enum : uint8_t { b_BUKT = 4, b_SRR = 0x10, b_IDE = 8, b_RTR = 0x40, b_RXRTR = 8 };
enum Mode : uint8_t { NORMAL, SLEEP, LOOPBACK, LISTEN_ONLY, CONFIGURATION };
enum { NONE = -1, BUFFERS = 3 };
enum Fate { REFUSED = 1, LOST, HELD, READ };

inline void on_event();
inline void on_pin(uint8_t pin, uint8_t level);

class Chip {
public:
    /* The chip is on the board from the first use of the port on. */
    void attach()
    {
        if (attached_)
            return;
        attached_ = true;
        sketch_listener = on_pin;
        board_on_can(BOARD_CAN_RECEIVED | BOARD_CAN_SENT | BOARD_CAN_STATE, on_event);
        reset();
    }

    void pin(uint8_t pin, uint8_t level)
    {
        if (pin == SPI_CAN_INT)
            show_interrupt();
        if (pin != SPI_CAN_CS || level > HIGH)
            return;
        if (level == LOW && !selected_) {
            service();
            place_ = 0;
        } else if (level == HIGH && selected_) {
            finish();
        }
        selected_ = level == LOW;
    }

    uint8_t transfer(uint8_t out)
    {
        attach();
        if (!selected_) {
            if (!told_)
                board_print("SPI: bytes for no chip; the CAN controller is selected by pin"
                            " SPI_CAN_CS, see 'defines' in the vehicle file\n");
            told_ = true;
            return 0xFF; /* nobody drives the line */
        }
        uint8_t in = place_ == 0 ? begin(out) : go_on(out);
        if (place_ < 255)
            place_++;
        return in;
    }

    /* What has happened on the bus since the last look. */
    void service()
    {
        again_ = true;
        if (busy_) /* an event while we wait for the board */
            return;
        busy_ = true;
        while (again_) {
            struct board_frame frame;
            again_ = false;
            while ((!firmware_roomy() || room()) && board_can_receive(&frame))
                receive(frame);
            look_at_bus();
            submit();
        }
        busy_ = false;
        show_interrupt();
    }

private:
    /* ---- instructions */

    uint8_t begin(uint8_t instruction)
    {
        instruction_ = instruction;
        if (instruction == 0xC0)
            reset();
        else if ((instruction & 0xF9) == 0x90)
            at_ = (instruction & 4 ? r_RXB1CTRL : r_RXB0CTRL) + (instruction & 2 ? 6 : 1);
        else if ((instruction & 0xF8) == 0x40)
            at_ = r_TXB0CTRL + 0x10 * (instruction >> 1 & 3) + (instruction & 1 ? 6 : 1);
        else if ((instruction & 0xF8) == 0x80)
            request_to_send(instruction & 7);
        return 0;
    }

    uint8_t go_on(uint8_t out)
    {
        uint8_t kind = instruction_;
        if (kind == 0xA0)
            return read_status();
        if (kind == 0xB0)
            return receive_status();
        if ((kind & 0xF9) == 0x90)
            return read(at_++);
        if ((kind & 0xF8) == 0x40) {
            write(at_++, out);
            return 0;
        }
        if (place_ == 1)
            at_ = out & 0x7F;
        else if (kind == 0x03)
            return read(at_++ & 0x7F);
        else if (kind == 0x02)
            write(at_++ & 0x7F, out);
        else if (kind == 0x05 && place_ == 2)
            mask_ = out;
        else if (kind == 0x05 && place_ == 3)
            modify(at_, mask_, out);
        return 0;
    }

    void finish()
    {
        if ((instruction_ & 0xF9) == 0x90 && place_ > 1)
            registers_[r_CANINTF] &= ~(instruction_ & 4 ? b_RX0IF << 1 : b_RX0IF);
        place_ = 0;
        for (int buffer = 0; buffer < 2; buffer++)
            if (held_ >> buffer & 1 && !(registers_[r_CANINTF] >> buffer & 1)) {
                held_ &= (uint8_t)~(1 << buffer);
                firmware_chip(READ, buffer);
            }
        service();
    }

    void request_to_send(uint8_t which)
    {
        for (int i = 0; i < BUFFERS; i++)
            if (which >> i & 1)
                control(i) = (uint8_t)((control(i) & 3) | b_TXREQ);
    }

    uint8_t read_status()
    {
        uint8_t flags = registers_[r_CANINTF], found = flags & 3;
        for (int i = 0; i < BUFFERS; i++)
            found |= (control(i) & b_TXREQ ? 4 : 0) << 2 * i
                   | (flags & b_TX0IF << i ? 8 : 0) << 2 * i;
        return found;
    }

    uint8_t receive_status()
    {
        uint8_t full = registers_[r_CANINTF] & 3;
        if (!full)
            return 0;
        uint8_t *buffer = &registers_[full & 1 ? r_RXB0CTRL : r_RXB1CTRL];
        bool extended = buffer[2] & b_IDE;
        bool remote = extended ? buffer[5] & b_RTR : buffer[2] & b_SRR;
        uint8_t filter = full & 1 ? buffer[0] & 1 : buffer[0] & 7;
        if (!(full & 1) && filter < 2)
            filter += 6; /* rolled over from buffer 0 */
        return (uint8_t)(full << 6 | extended << 4 | remote << 3 | filter);
    }

    /* ---- registers */

    static uint8_t home(uint8_t address)
    {
        uint8_t low = address & 0x0F;
        return low == 0x0E ? r_CANSTAT : low == 0x0F ? r_CANCTRL : address;
    }

    uint8_t read(uint8_t address)
    {
        address = home(address & 0x7F);
        if (address == r_CANSTAT)
            return (uint8_t)(mode_ << 5 | interrupt_code() << 1);
        return registers_[address];
    }

    static bool only_in_configuration(uint8_t address)
    {
        return address <= r_TXRTSCTRL - 2 || address == r_TXRTSCTRL
            || (address >= r_RXF3SIDH && address < r_TEC)
            || (address >= r_RXM0SIDH && address <= r_CNF1);
    }

    void write(uint8_t address, uint8_t value)
    {
        address = home(address & 0x7F);
        if (address == r_CANSTAT || address == r_TEC || address == r_REC)
            return;
        if (only_in_configuration(address) && mode_ != CONFIGURATION)
            return;
        if (address > r_RXB0CTRL && address != r_RXB1CTRL)
            return; /* received frames are read only */
        if (address == r_RXB0CTRL || address == r_RXB1CTRL)
            value = (uint8_t)((value & (address == r_RXB0CTRL ? 0x64 : 0x60))
                              | (registers_[address] & ~0x64));
        if (address == r_EFLG)
            value = (uint8_t)((registers_[r_EFLG] & 0x3F) | (value & 0xC0));
        bool transmit = (address & 0x0F) == 0 && address >= r_TXB0CTRL && address < r_RXB0CTRL;
        uint8_t before = registers_[address];
        if (transmit)
            value = (uint8_t)((value & (b_TXREQ | 3)) | (value & b_TXREQ ? 0 : before & b_ABTF));
        registers_[address] = value;
        if (transmit && before & b_TXREQ && !(value & b_TXREQ))
            abort((address - r_TXB0CTRL) >> 4);
        if (address == r_CANCTRL)
            set_control(value);
    }

    void modify(uint8_t address, uint8_t mask, uint8_t value)
    {
        uint8_t low = home(address);
        bool bits = low == r_BFPCTRL || low == r_TXRTSCTRL || low == r_CANCTRL
            || (low >= r_CNF3 && low <= r_EFLG)
            || (low >= r_TXB0CTRL && (low & 0x0F) == 0);
        if (!bits)
            mask = 0xFF;
        write(address, (uint8_t)((registers_[low] & ~mask) | (value & mask)));
    }

    uint8_t &control(int buffer) { return registers_[r_TXB0CTRL + 0x10 * buffer]; }

    uint8_t interrupt_code()
    {
        static const uint8_t order[] = {0x20, 0x40, 4, 8, 0x10, 1, 2};
        uint8_t flags = registers_[r_CANINTF] & registers_[r_CANINTE];
        for (uint8_t i = 0; i < sizeof order; i++)
            if (flags & order[i])
                return i + 1;
        return 0;
    }

    void show_interrupt()
    {
        if (attached_)
            board_pin_feed(SPI_CAN_INT, !(registers_[r_CANINTF] & registers_[r_CANINTE]));
    }

    /* ---- modes */

    void reset()
    {
        memset(registers_, 0, sizeof registers_);
        registers_[r_CANCTRL] = 0x87;
        in_flight_ = NONE;
        mode_ = CONFIGURATION;
        board_can_abort();
        board_can_accept_all();
        board_can_mode(BOARD_CAN_OFF);
        show_interrupt();
    }

    void set_control(uint8_t value)
    {
        if (value & b_ABAT)
            for (int i = 0; i < BUFFERS; i++)
                if (control(i) & b_TXREQ) {
                    control(i) = (uint8_t)((control(i) & 3) | b_ABTF);
                    abort(i);
                }
        if (one_shot_ != (bool)(value & b_OSM)) {
            one_shot_ = value & b_OSM;
            board_can_one_shot(one_shot_);
        }
        uint8_t wanted = value >> 5;
        if (wanted > CONFIGURATION || wanted == mode_)
            return;
        mode_ = (Mode)wanted;
        in_flight_ = NONE;
        bool on_bus = mode_ == NORMAL || mode_ == LISTEN_ONLY;
        if (on_bus)
            check_bit_rate();
        board_can_mode(mode_ == NORMAL ? BOARD_CAN_NORMAL
                       : on_bus ? BOARD_CAN_LISTEN_ONLY : BOARD_CAN_OFF);
    }

    void check_bit_rate()
    {
#ifdef BOARD_BIT_RATE
        uint32_t quanta = 1 + (registers_[r_CNF2] & 7) + 1 + (registers_[r_CNF2] >> 3 & 7) + 1;
        uint8_t second = registers_[r_CNF2] & 0x80 ? registers_[r_CNF3] & 7
                         : (registers_[r_CNF2] >> 3 & 7) > 1 ? registers_[r_CNF2] >> 3 & 7 : 1;
        uint32_t sample = 1000 * quanta / (quanta + second + 1);
        uint8_t jump = (registers_[r_CNF1] >> 6) + 1;
        quanta += second + 1;
        uint32_t rate = SPI_CAN_CLOCK / (2 * ((registers_[r_CNF1] & 0x3F) + 1) * quanta);
        static char text[160];
        uint32_t off = rate > BOARD_BIT_RATE ? rate - BOARD_BIT_RATE : BOARD_BIT_RATE - rate;
        if (off <= BOARD_BIT_RATE / 100) {
            check_sample_point(sample, jump, second + 1);
            return;
        }
        snprintf(text, sizeof text, "the CAN controller's bit timing gives %u bit/s at %u Hz, the"
                 " bus has %u bit/s (its oscillator is set by SPI_CAN_CLOCK)", (unsigned)rate,
                 (unsigned)SPI_CAN_CLOCK, (unsigned)BOARD_BIT_RATE);
        firmware_fail(text, "the bit timing registers CNF1 to CNF3", 0);
#endif
    }

    /* In thousandths of a bit, and in quanta. Too early, a bit has not yet come from the far end
     * of the cable; too late, nothing is left to make up for a clock that is wrong. */
    void check_sample_point(uint32_t sample, uint8_t jump, uint8_t behind)
    {
#ifdef BOARD_SAMPLE_LEAST
        static char text[160];
        if (sample < BOARD_SAMPLE_LEAST || sample > BOARD_SAMPLE_MOST)
            snprintf(text, sizeof text, "the CAN controller samples each bit at %u.%u %% of it, the"
                     " bus allows %u.%u %% to %u.%u %%", (unsigned)sample / 10,
                     (unsigned)sample % 10, BOARD_SAMPLE_LEAST / 10, BOARD_SAMPLE_LEAST % 10,
                     BOARD_SAMPLE_MOST / 10, BOARD_SAMPLE_MOST % 10);
        else if (jump > behind)
            snprintf(text, sizeof text, "the CAN controller jumps by up to %u quanta, more than the"
                     " %u behind its sample point", jump, behind);
        else
            return;
        firmware_fail(text, "the bit timing registers CNF1 to CNF3", 0);
#else
        (void)sample, (void)jump, (void)behind;
#endif
    }

    /* ---- transmission */

    struct board_frame frame_of(int buffer)
    {
        uint8_t *from = &control(buffer) + 1;
        struct board_frame frame;
        memset(&frame, 0, sizeof frame);
        frame.extended = from[1] & b_IDE;
        uint32_t base = (uint32_t)from[0] << 3 | from[1] >> 5;
        frame.id = frame.extended
            ? base << 18 | (uint32_t)(from[1] & 3) << 16 | (uint32_t)from[2] << 8 | from[3] : base;
        frame.remote = from[4] & b_RTR;
        frame.length = (from[4] & 0x0F) > 8 ? 8 : from[4] & 0x0F;
        memcpy(frame.data, from + 5, 8);
        return frame;
    }

    int first_buffer()
    {
        int best = NONE;
        for (int i = 0; i < BUFFERS; i++) /* of equal priority the highest number goes first */
            if (control(i) & b_TXREQ && (best == NONE || (control(i) & 3) >= (control(best) & 3)))
                best = i;
        return best;
    }

    void submit()
    {
        int next;
        while (in_flight_ == NONE && (next = first_buffer()) != NONE) {
            struct board_frame frame = frame_of(next);
            if (mode_ == LOOPBACK) {
                sent(next);
                receive(frame);
                continue;
            }
            if (mode_ != NORMAL || board_can_send(&frame) != BOARD_CAN_OK)
                return; /* TXREQ stays: it goes out once the controller can */
            in_flight_ = next;
            sent_before_ = status_.sent;
        }
    }

    void sent(int buffer)
    {
        control(buffer) &= (uint8_t)~b_TXREQ;
        registers_[r_CANINTF] |= b_TX0IF << buffer;
    }

    void abort(int buffer)
    {
        if (in_flight_ == buffer) {
            board_can_abort();
            in_flight_ = NONE;
        }
    }

    void look_at_bus()
    {
        board_can_status(&status_);
        if (in_flight_ != NONE && status_.sent != sent_before_) {
            int done = in_flight_;
            in_flight_ = NONE;
            sent(done);
        } else if (in_flight_ != NONE && !status_.pending) {
            int gone = in_flight_;
            in_flight_ = NONE;
            if (one_shot_)
                control(gone) = (uint8_t)((control(gone) & 3) | b_ABTF);
            else if (status_.state != BOARD_CAN_BUS_OFF) /* a fault holds it back, or swallows it */
                sent(gone);
            /* else bus-off took it: it is sent again after the recovery */
        }
        if (status_.state == BOARD_CAN_BUS_OFF)
            board_can_recover(); /* the chip comes back by itself */
        registers_[r_TEC] = status_.tec > 255 ? 255 : (uint8_t)status_.tec;
        registers_[r_REC] = status_.rec > 255 ? 255 : (uint8_t)status_.rec;
        uint8_t flags = registers_[r_EFLG] & 0xC0;
        flags |= status_.rec >= 96 ? b_RXWAR | b_EWARN : 0;
        flags |= status_.tec >= 96 ? b_TXWAR | b_EWARN : 0;
        flags |= (status_.rec >= 128 ? b_RXEP : 0) | (status_.tec >= 128 ? b_TXEP : 0);
        flags |= status_.state == BOARD_CAN_BUS_OFF ? b_TXBO : 0;
        if (flags & ~registers_[r_EFLG])
            registers_[r_CANINTF] |= b_ERRIF;
        registers_[r_EFLG] = flags;
    }

    /* ---- reception */

    bool passes(const struct board_frame &frame, uint8_t filter_at, uint8_t mask_at)
    {
        const uint8_t *filter = &registers_[filter_at], *mask = &registers_[mask_at];
        if ((bool)(filter[1] & b_IDE) != frame.extended)
            return false;
        uint8_t image[4];
        identifier(frame, image);
        if (!frame.extended) { /* the extended part looks at the first two data bytes */
            image[2] = frame.data[0];
            image[3] = frame.data[1];
        }
        uint8_t low = frame.extended ? 0xE3 : 0xE0;
        return !((image[0] ^ filter[0]) & mask[0]) && !((image[1] ^ filter[1]) & mask[1] & low)
            && !((image[2] ^ filter[2]) & mask[2]) && !((image[3] ^ filter[3]) & mask[3]);
    }

    static void identifier(const struct board_frame &frame, uint8_t *to)
    {
        uint32_t base = frame.extended ? frame.id >> 18 : frame.id;
        to[0] = (uint8_t)(base >> 3);
        to[1] = (uint8_t)(base << 5);
        if (frame.extended)
            to[1] |= b_IDE | (frame.id >> 16 & 3);
        to[2] = frame.extended ? (uint8_t)(frame.id >> 8) : 0;
        to[3] = frame.extended ? (uint8_t)frame.id : 0;
    }

    /* Which filter lets a frame into a receive buffer, or NONE. */
    int filter_of(const struct board_frame &frame, int buffer)
    {
        if ((registers_[buffer ? r_RXB1CTRL : r_RXB0CTRL] & 0x60) == 0x60)
            return buffer ? 2 : 0; /* filters are off */
        int first = buffer ? 2 : 0, last = buffer ? 5 : 1;
        for (int i = first; i <= last; i++) {
            uint8_t at = (uint8_t)(i < 3 ? 4 * i : r_RXF3SIDH + 4 * (i - 3));
            if (passes(frame, at, buffer ? r_RXM1SIDH : r_RXM0SIDH))
                return i;
        }
        return NONE;
    }

    void receive(const struct board_frame &frame)
    {
        uint8_t &flags = registers_[r_CANINTF];
        int filter = filter_of(frame, 0);
        if (filter == NONE && filter_of(frame, 1) == NONE && firmware_lets_in(frame.id, frame.extended))
            filter = 0;
        if (filter != NONE) {
            if (!(flags & b_RX0IF)) {
                store(frame, 0, filter);
                return;
            }
            if (!(registers_[r_RXB0CTRL] & b_BUKT)) {
                overflow(0);
                return;
            }
        } else if ((filter = filter_of(frame, 1)) == NONE) {
            firmware_chip(REFUSED, 0);
            return;
        }
        if (flags & b_RX0IF << 1)
            overflow(1);
        else
            store(frame, 1, filter);
    }

    void overflow(int buffer)
    {
        registers_[r_EFLG] |= b_RX0OVR << buffer;
        registers_[r_CANINTF] |= b_ERRIF;
        firmware_chip(LOST, buffer);
    }

    /* For whatever comes: without BUKT a frame of the first buffer never goes into the second. */
    bool room()
    {
        uint8_t full = registers_[r_CANINTF] & 3;
        return registers_[r_RXB0CTRL] & b_BUKT ? full != 3 : !full;
    }

    void store(const struct board_frame &frame, int buffer, int filter)
    {
        uint8_t *to = &registers_[buffer ? r_RXB1CTRL : r_RXB0CTRL];
        uint8_t hit = buffer ? 7 : 1;
        to[0] = (uint8_t)((to[0] & ~hit & ~b_RXRTR) | filter | (frame.remote ? b_RXRTR : 0));
        identifier(frame, to + 1);
        if (frame.remote && !frame.extended)
            to[2] |= b_SRR;
        to[5] = (uint8_t)(frame.length | (frame.remote && frame.extended ? b_RTR : 0));
        memcpy(to + 6, frame.data, 8);
        registers_[r_CANINTF] |= b_RX0IF << buffer;
        held_ |= (uint8_t)(1 << buffer);
        firmware_chip(HELD, buffer);
    }

    uint8_t registers_[128];
    struct board_can_status status_;
    Mode mode_ = CONFIGURATION;
    int in_flight_ = NONE;
    uint32_t sent_before_ = 0;
    uint8_t instruction_ = 0, at_ = 0, mask_ = 0, place_ = 0;
    bool attached_ = false, selected_ = false, told_ = false, one_shot_ = false;
    bool busy_ = false, again_ = false;
    uint8_t held_ = 0;
};

inline Chip chip;

inline void on_event()
{
    chip.service();
}

inline void on_pin(uint8_t pin, uint8_t level)
{
    chip.pin(pin, level);
}

}

#endif
