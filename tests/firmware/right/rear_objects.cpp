// A rear node for the same van, written another way: objects on the heap, microseconds, main(), a
// link that is judged by the age of a copied frame, and a receive interrupt that fills a queue.
#include "board.h"

#include <array>
#include <memory>
#include <vector>

namespace {

using Time = uint32_t; // microseconds; only differences are used, the longest is 10 s

constexpr Time ms(uint32_t value) { return value * 1000; }

uint8_t crc8(std::initializer_list<uint8_t> head, const uint8_t *data, int length)
{
    uint8_t crc = 0xFF;
    auto add = [&crc](uint8_t byte) {
        crc ^= byte;
        for (int bit = 0; bit < 8; ++bit)
            crc = crc & 0x80 ? static_cast<uint8_t>(crc * 2 ^ 0x1D) : static_cast<uint8_t>(crc * 2);
    };
    for (uint8_t byte : head)
        add(byte);
    for (int i = 0; i < length; ++i)
        add(data[i]);
    return static_cast<uint8_t>(~crc);
}

struct Stamped {
    board_frame frame;
    Time at;
};

std::array<Stamped, 32> queue;
volatile unsigned written;
unsigned taken;

void on_frame()
{
    board_frame frame;
    while (board_can_receive(&frame)) {
        queue[written % queue.size()] = {frame, board_us()};
        written = written + 1;
    }
}

class Link {
public:
    Link(uint32_t id, uint8_t length, Time stale) : id_(id), length_(length), stale_(stale) {}

    void begin(Time now) { last_ = now; }

    void offer(const Stamped &item)
    {
        const board_frame &frame = item.frame;
        const uint8_t head[] = {static_cast<uint8_t>(id_ >> 8), static_cast<uint8_t>(id_)};
        if (frame.id != id_ || frame.extended || frame.remote || frame.length != length_)
            return;
        if (crc8({head[0], head[1]}, frame.data + 1, length_ - 1) != frame.data[0])
            return;
        int step = (frame.data[1] - count_) & 15;
        if (follows_ && (step < 1 || step > 5))
            return;
        follows_ = true;
        count_ = frame.data[1] & 15;
        last_ = item.at;
        if (silent_ && !second_) {
            second_ = true;
            return;
        }
        silent_ = false;
        has_content_ = fresh_ = true;
        content_ = frame;
    }

    void look(Time now)
    {
        if (now - last_ <= stale_)
            return;
        if (!silent_)
            lost_ = now;
        silent_ = true;
        fresh_ = follows_ = second_ = false;
        last_ = now - stale_ - 1; // stays silent, however long it takes
    }

    bool fresh() const { return fresh_; }
    bool virgin() const { return !has_content_ && !silent_; }
    bool just(Time now) const { return fresh_ && now - last_ < ms(3); }
    Time at() const { return last_; }
    bool bit(int place) const { return content_.data[place / 8] >> place % 8 & 1; }
    uint8_t byte(int place) const { return content_.data[place]; }
    Time silent_for(Time now) const { return now - lost_; }

private:
    uint32_t id_;
    uint8_t length_;
    Time stale_;
    Time last_ = 0, lost_ = 0;
    uint8_t count_ = 0;
    bool follows_ = false, silent_ = false, second_ = false, fresh_ = false, has_content_ = false;
    board_frame content_ = {};
};

class Blinker {
public:
    void dash(Time began) { known_ = true, dash_ = began; }
    void alone() { known_ = false; }

    bool lit(Time now, bool wanted)
    {
        if (!wanted) {
            runs_ = false;
            return false;
        }
        if (!runs_) {
            runs_ = true;
            Time phase = known_ ? (now - dash_) % cycle : 0;
            began_ = now - phase;
            length_ = cycle;
        }
        while (now - began_ >= length_) {
            began_ += length_;
            length_ = cycle + correction();
        }
        return now - began_ < on;
    }

private:
    static constexpr Time cycle = ms(660), on = ms(330);

    // How much the cycle that begins has to differ, in its dark part, to come closer to the dash.
    int32_t correction() const
    {
        if (!known_)
            return 0;
        int32_t late = static_cast<int32_t>(began_ - dash_) % static_cast<int32_t>(cycle);
        late = late < 0 ? late + static_cast<int32_t>(cycle) : late;
        int32_t early = static_cast<int32_t>(cycle) - late;
        if (late < static_cast<int32_t>(ms(25)) || early < static_cast<int32_t>(ms(25)))
            return 0;
        if (late < static_cast<int32_t>(ms(120)))
            return -late;
        return early < static_cast<int32_t>(ms(250)) ? early : static_cast<int32_t>(ms(250));
    }

    bool runs_ = false, known_ = false;
    Time began_ = 0, dash_ = 0, length_ = cycle;
};

struct Output {
    explicit Output(uint8_t to) : pin(to) {}
    virtual ~Output() = default;
    virtual bool wants(Time now) = 0;
    virtual bool flashes() const { return false; }
    uint8_t pin;
};

struct Local final : Output {
    Local(uint8_t to, uint8_t from, uint8_t too = 0) : Output(to), one(from), other(too) {}
    bool wants(Time) override { return board_pin_read(one) && (!other || board_pin_read(other)); }
    uint8_t one, other;
};

struct Asked : Output {
    Asked(uint8_t to, const Link &by, int place) : Output(to), link(by), bit(place) {}
    bool wants(Time now) override { return link.fresh() ? link.bit(bit) : without(now); }
    virtual bool without(Time) { return false; }
    const Link &link;
    int bit;
};

struct InDoubtOn final : Asked {
    using Asked::Asked;
    bool without(Time) override { return true; }
};

struct Or : Asked {
    Or(uint8_t to, const Link &by, int place, uint8_t from) : Asked(to, by, place), own(from) {}
    bool wants(Time now) override { return board_pin_read(own) || Asked::wants(now); }
    uint8_t own;
};

// After a crash it is off until the key has been turned back; its own switch counts with the key on.
struct Pump final : Or {
    using Or::Or;
    bool wants(Time now) override
    {
        bool key = board_pin_read(16);
        cut_off = board_pin_read(19) || (cut_off && key);
        return !cut_off && ((key && board_pin_read(own)) || Asked::wants(now));
    }
    bool cut_off = false;
};

struct Indicator final : Or {
    using Or::Or;
    bool flashes() const override { return true; }
};

struct HoldAWhile final : Asked {
    using Asked::Asked;
    bool without(Time now) override
    {
        if (link.virgin() || over)
            return false;
        over = link.silent_for(now) >= ms(800);
        return !over && link.bit(bit);
    }
    bool wants(Time now) override
    {
        over = over && !link.fresh();
        return Asked::wants(now);
    }
    bool over = false;
};

struct Node {
    Link lamp{0x0A0, 4, ms(250)}, body{0x0D0, 3, ms(250)}, engine{0x0C0, 2, ms(500)};
    std::vector<std::unique_ptr<Output>> outputs;
    Blinker blinker;
    Time due = 0, born = 0, refused = 0;
    uint8_t count = 0, seconds = 0;
    bool came_back = false, is_refused = false;

    Node()
    {
        for (uint8_t pin : {2, 3, 4})
            outputs.push_back(std::make_unique<InDoubtOn>(pin, lamp, 12));
        outputs.push_back(std::make_unique<Local>(5, 14));
        outputs.push_back(std::make_unique<Local>(6, 15, 16));
        outputs.push_back(std::make_unique<Indicator>(7, lamp, 16, 17));
        outputs.push_back(std::make_unique<Indicator>(8, lamp, 17, 17));
        outputs.push_back(std::make_unique<Pump>(9, engine, 13, 18));
        outputs.push_back(std::make_unique<HoldAWhile>(10, body, 15));
        outputs.push_back(std::make_unique<Asked>(11, body, 16));
        due = born = board_us();
        for (Link *link : {&lamp, &body, &engine})
            link->begin(due);
    }

    void work(Time now)
    {
        for (; taken != written; ++taken)
            for (Link *link : {&lamp, &body, &engine})
                link->offer(queue[taken % queue.size()]);
        for (Link *link : {&lamp, &body, &engine})
            link->look(now);
        if (!lamp.fresh() || lamp.byte(3) == 255)
            blinker.alone();
        else if (lamp.just(now))
            blinker.dash(lamp.at() - lamp.byte(3) * ms(5));
        bool flashing = false;
        std::vector<bool> wanted;
        for (auto &output : outputs) {
            wanted.push_back(output->wants(now));
            flashing = flashing || (wanted.back() && output->flashes());
        }
        bool lit = blinker.lit(now, flashing);
        for (size_t i = 0; i < outputs.size(); ++i)
            board_pin_write(outputs[i]->pin, wanted[i] && (lit || !outputs[i]->flashes()));
    }

    void report(Time now)
    {
        if (now - born >= ms(1000)) {
            born += ms(1000);
            seconds += seconds < 255;
        }
        if (static_cast<int32_t>(now - due) < 0)
            return;
        bool lost = !lamp.fresh() || !body.fresh() || !engine.fresh();
        board_frame frame = {0x202, false, false, 4, {}};
        frame.data[1] = static_cast<uint8_t>(count | lost << 4 | came_back << 5);
        frame.data[2] = static_cast<uint8_t>(board_supply_mv() / 100);
        frame.data[3] = seconds;
        frame.data[0] = crc8({0x02, 0x02}, frame.data + 1, 3);
        if (board_can_send(&frame) == BOARD_CAN_OK) {
            count = (count + 1) & 15;
            due = now + ms(100);
            is_refused = false;
            return;
        }
        if (!is_refused)
            refused = now;
        is_refused = true;
        if (now - refused < ms(30))
            return;
        is_refused = false;
        unblock();
    }

    void unblock()
    {
        struct board_can_status status;
        ::board_can_status(&status);
        if (status.state == BOARD_CAN_BUS_OFF) {
            came_back = true;
            board_can_recover();
        } else {
            board_can_abort();
        }
    }
};

} // namespace

int main()
{
    auto node = std::make_unique<Node>();
    node->work(board_us());
    for (auto &output : node->outputs)
        board_pin_mode(output->pin, BOARD_OUTPUT);
    board_on_can(BOARD_CAN_RECEIVED, on_frame);
    board_on_timer(3000, [] {});
    board_watchdog_start(220);
    for (;;) {
        board_wait_for_interrupt();
        Time now = board_us();
        node->work(now);
        node->report(now);
        board_watchdog_feed();
    }
}
