/* io_board.ino: the board between the bench and a node on the desk.
 *
 * It feels what the node switches, drives the node's inputs, and pulls its supply, its CAN plug and
 * its reset line. PROTOCOL.md beside this file has the lines that it speaks, README.md the wiring.
 *
 * At rest no relay is energised and no line is driven: the node is supplied, plugged in and not
 * reset. So it is from power-up on, in reset, while the board is flashed (every pin is an input
 * then, and a resistor holds each transistor off), and whenever the heartbeat stays away.
 *
 * One pass of the loop looks at all digital lines and does one small job besides, so that an edge
 * is seen within 0.2 ms. The board says with each edge how long before it had looked last.
 */
#include <Arduino.h>

#include "pins.h"

enum { VERSION = 1, BAUD_HUNDREDS = 1152 };
enum { HEARTBEAT_MS = 1000, WINDOW_MS = 50, PWM_EDGES = 10, CALM_EDGES = 2, LONGEST = 40 };
enum { LINES = DIGITAL_LINES + ANALOG_LINES, QUEUE = 16, AD_EVERY = 8 };

static const uint8_t digital_pins[] = DIGITAL_PINS;
static const uint8_t analog_pins[] = ANALOG_PINS;
static const uint8_t drive_pins[] = DRIVE_PINS;
static const uint8_t relay_pins[] = RELAY_PINS;

/* ---- what is felt */

struct line {
    uint32_t looked_us, rose_us, edge_us; /* the last look, the last rise, the last edge */
    uint32_t window_us, high_us;          /* where the window begins, and the high time in it */
    uint16_t low, high;                            /* thresholds of an analogue line */
    uint16_t mille, hertz;                         /* of the last window */
    uint8_t edges, level, pwm, due;                /* edges in the window; its report is due */
};

struct edge {
    uint32_t at_us, since_us;
    uint8_t line, level;
};

static struct line lines[LINES];
static struct edge edges[QUEUE];
static uint8_t first_edge, waiting_edges, lost_edges;

static void queue_edge(uint8_t line, uint32_t at_us, uint32_t since_us)
{
    if (waiting_edges == QUEUE) {
        lost_edges += lost_edges < 255;
        return;
    }
    struct edge *edge = &edges[(first_edge + waiting_edges++) % QUEUE];
    edge->at_us = at_us;
    edge->since_us = since_us;
    edge->line = line;
    edge->level = lines[line].level;
}

static void look(uint8_t number, uint8_t level, uint32_t now_us)
{
    struct line *line = &lines[number];
    if (level != line->level) {
        line->level = level;
        line->edge_us = now_us;
        line->edges += line->edges < 255;
        if (level)
            line->rose_us = now_us;
        else
            line->high_us += now_us - line->rose_us;
        if (!line->pwm)
            queue_edge(number, now_us, now_us - line->looked_us);
    }
    line->looked_us = now_us;
}

static void look_at_digital(void)
{
    for (uint8_t i = 0; i < DIGITAL_LINES; i++)
        look(i, digitalRead(digital_pins[i]) == HIGH, micros());
}

static void look_at_analog(void)
{
    static uint8_t next;
    struct line *line = &lines[DIGITAL_LINES + next];
    uint16_t value = (uint16_t)analogRead(analog_pins[next]);
    uint8_t level = line->level ? value > line->low : value >= line->high;
    look((uint8_t)(DIGITAL_LINES + next), level, micros());
    next = (uint8_t)((next + 1) % ANALOG_LINES);
}

/* ---- a line with more edges than can be told one by one is told by its share of high time */

static void end_window(uint8_t number, uint32_t now_us)
{
    struct line *line = &lines[number];
    uint32_t lasted_ms = (now_us - line->window_us) / 1000;
    uint8_t edges_here = line->edges;
    if (lasted_ms < WINDOW_MS)
        return;
    if (line->level) {
        line->high_us += now_us - line->rose_us;
        line->rose_us = now_us;
    }
    if (line->pwm && edges_here <= CALM_EDGES) {
        line->pwm = false;
        queue_edge(number, line->edge_us, 0);
    }
    line->pwm |= edges_here >= PWM_EDGES;
    line->due = line->pwm;
    line->mille = (uint16_t)(line->high_us / lasted_ms);
    line->hertz = (uint16_t)(edges_here * 500UL / lasted_ms);
    line->window_us = now_us;
    line->high_us = 0;
    line->edges = 0;
}

static void look_at_windows(void)
{
    static uint8_t next;
    end_window(next, micros());
    next = (uint8_t)((next + 1) % LINES);
}

/* ---- what is sent: each line has a running number, so that a lost one is noticed */

static char out[LONGEST];
static uint8_t out_length, out_sent, out_number;
static uint16_t out_crc;

static uint16_t crc16(uint16_t crc, uint8_t byte)
{
    crc ^= (uint16_t)(byte << 8);
    for (uint8_t i = 0; i < 8; i++)
        crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
    return crc;
}

static char digit(uint8_t value) { return (char)(value < 10 ? '0' + value : 'A' + value - 10); }

static void put(char one) { out[out_length++] = one; }

static void put_hex(uint32_t value, uint8_t digits)
{
    while (digits--)
        put(digit((uint8_t)(value >> 4 * digits & 15)));
}

static void put_field(uint32_t value, uint8_t digits)
{
    put(' ');
    put_hex(value, digits);
}

static bool sending(void) { return out_sent < out_length; }

static void begin_line(char word)
{
    out_length = out_sent = 0;
    out_crc = 0xFFFF;
    put('$');
    put_hex(out_number++, 2);
    put(' ');
    put(word);
}

static void end_line(void) { put('*'); } /* the checksum follows once it has passed the rest */

static void send_byte(void)
{
    if (!sending() || Serial.availableForWrite() < 1)
        return;
    char one = out[out_sent++];
    Serial.write((uint8_t)one);
    if (one == '*') {
        put_hex(out_crc, 4);
        put('\n');
    } else if (one != '$' && out[out_length - 1] == '*') {
        out_crc = crc16(out_crc, (uint8_t)one);
    }
}

/* ---- rest: the state in which nothing that the board does touches the node */

static uint32_t beat_ms;
static uint16_t run_number; /* tells one run of this program from the next */
static bool alive;          /* the heartbeat is there */
static bool hello_due, fallen_due;

static void rest(void)
{
    for (uint8_t i = 0; i < RELAYS; i++)
        digitalWrite(relay_pins[i], LOW);
    for (uint8_t i = 0; i < DRIVES; i++)
        digitalWrite(drive_pins[i], LOW);
}

static void watch_heartbeat(void)
{
    if (alive && (uint32_t)(millis() - beat_ms) >= HEARTBEAT_MS) {
        alive = false;
        fallen_due = true;
        rest();
    }
}

/* ---- what is received: one command at a time, each answered */

static struct {
    bool due, refused;
    uint8_t number;
    uint32_t at_us;
    bool beat, was_alive;
} answer;

static char in[LONGEST];
static uint8_t in_length;
static bool inside; /* of a line */
static uint16_t last_number = 256; /* of no command */
static bool last_refused;
static uint32_t last_us;

static int8_t value_of(char one)
{
    if (one >= '0' && one <= '9')
        return (int8_t)(one - '0');
    return one >= 'A' && one <= 'F' ? (int8_t)(one - 'A' + 10) : -1;
}

/* The next field as a number; false if there is none. Fields are hexadecimal, four digits at most. */
static bool field(uint8_t *place, uint16_t *value)
{
    uint8_t digits = 0;
    *value = 0;
    while (*place < in_length && in[*place] == ' ')
        ++*place;
    while (*place < in_length && value_of(in[*place]) >= 0 && digits < 4) {
        *value = (uint16_t)(*value << 4 | (uint8_t)value_of(in[*place]));
        ++*place;
        ++digits;
    }
    return digits > 0;
}

static bool switch_pin(const uint8_t *pins, uint8_t count, uint8_t place)
{
    uint16_t which, level;
    if (!field(&place, &which) || !field(&place, &level) || which >= count || level > 1)
        return false;
    if (!alive) /* without a heartbeat nothing leaves its rest */
        return level == 0;
    digitalWrite(pins[which], level ? HIGH : LOW);
    return true;
}

static bool set_thresholds(uint8_t place)
{
    uint16_t which, low, high;
    if (!field(&place, &which) || !field(&place, &low) || !field(&place, &high)
        || which >= ANALOG_LINES || low >= high)
        return false;
    lines[DIGITAL_LINES + which].low = low;
    lines[DIGITAL_LINES + which].high = high;
    return true;
}

static bool carry_out(char word, uint8_t place)
{
    answer.beat = word == 'T';
    switch (word) {
    case 'H':
        hello_due = true;
        return true;
    case 'T':
        answer.was_alive = alive;
        alive = true;
        beat_ms = millis();
        return true;
    case 'D':
        return switch_pin(drive_pins, DRIVES, place);
    case 'R':
        return switch_pin(relay_pins, RELAYS, place);
    case 'L':
        return set_thresholds(place);
    default:
        return false;
    }
}

/* A line that comes twice is carried out once: its answer was lost, and the first instant counts. */
static void take_line(void)
{
    uint8_t place = 0;
    uint16_t number;
    if (!field(&place, &number) || number > 255 || place + 1 >= in_length || in[place] != ' ')
        return;
    char word = in[place + 1];
    if (number != last_number) {
        last_refused = !carry_out(word, (uint8_t)(place + 2));
        last_us = micros();
        last_number = number;
    }
    answer.due = true;
    answer.number = (uint8_t)number;
    answer.refused = last_refused;
    answer.at_us = last_us;
}

static bool intact(void)
{
    uint16_t crc = 0xFFFF, told = 0;
    if (in_length < 7 || in[in_length - 5] != '*')
        return false;
    for (uint8_t i = 0; i < 4; i++) {
        int8_t value = value_of(in[in_length - 4 + i]);
        if (value < 0)
            return false;
        told = (uint16_t)(told << 4 | (uint8_t)value);
    }
    in_length -= 5;
    for (uint8_t i = 0; i < in_length; i++)
        crc = crc16(crc, (uint8_t)in[i]);
    return crc == told;
}

static void receive_byte(void)
{
    if (answer.due || Serial.available() < 1) /* the last command is answered first */
        return;
    char one = (char)Serial.read();
    if (one == '$') {
        inside = true;
        in_length = 0;
    } else if (one == '\n') {
        if (inside && intact())
            take_line();
        inside = false;
    } else if (in_length < LONGEST) {
        in[in_length++] = one;
    } else {
        inside = false;
    }
}

/* ---- what there is to tell, the most urgent first */

static void put_levels(void)
{
    uint32_t levels = 0;
    for (uint8_t i = 0; i < LINES; i++)
        levels |= (uint32_t)lines[i].level << i;
    put_field(levels, 8);
}

static void tell_answer(void)
{
    answer.due = false;
    begin_line(answer.refused ? 'N' : 'A');
    put_field(answer.number, 2);
    put_field(answer.at_us, 8);
    if (answer.beat && !answer.refused) {
        put_levels();
        put_field(answer.was_alive, 1);
    }
    end_line();
}

static void tell_hello(void)
{
    hello_due = false;
    begin_line('B');
    put_field(VERSION, 2);
    put_field(run_number, 4);
    put_field(DIGITAL_LINES, 2);
    put_field(ANALOG_LINES, 2);
    put_field(DRIVES, 2);
    put_field(RELAYS, 2);
    end_line();
}

static void tell_edge(void)
{
    struct edge *edge = &edges[first_edge];
    begin_line('E');
    put_field(edge->line, 2);
    put_field(edge->level, 1);
    put_field(edge->at_us, 8);
    put_field(edge->since_us > 0xFFFF ? 0xFFFF : edge->since_us, 4);
    end_line();
    first_edge = (uint8_t)((first_edge + 1) % QUEUE);
    waiting_edges--;
}

static void tell_count(char word, uint8_t count)
{
    begin_line(word);
    put_field(count, 2);
    put_field(micros(), 8);
    end_line();
}

/* One line's report, if it is due. */
static void tell_window(void)
{
    static uint8_t next;
    struct line *line = &lines[next];
    if (line->due) {
        line->due = false;
        begin_line('P');
        put_field(next, 2);
        put_field(line->mille, 4);
        put_field(line->hertz, 4);
        put_field(line->window_us, 8);
        end_line();
    }
    next = (uint8_t)((next + 1) % LINES);
}

static void tell_next(void)
{
    if (sending())
        return;
    if (answer.due) {
        tell_answer();
    } else if (hello_due) {
        tell_hello();
    } else if (fallen_due) {
        fallen_due = false;
        tell_count('F', 0);
    } else if (waiting_edges) {
        tell_edge();
    } else if (lost_edges) {
        uint8_t count = lost_edges;
        lost_edges = 0;
        tell_count('O', count);
    } else {
        tell_window();
    }
}

/* ---- the program */

static void prepare_pins(void)
{
    rest(); /* the levels first, then the pins: nothing twitches */
    for (uint8_t i = 0; i < RELAYS; i++)
        pinMode(relay_pins[i], OUTPUT);
    for (uint8_t i = 0; i < DRIVES; i++)
        pinMode(drive_pins[i], OUTPUT);
    for (uint8_t i = 0; i < DIGITAL_LINES; i++)
        pinMode(digital_pins[i], INPUT);
}

void setup()
{
    prepare_pins();
    Serial.begin(BAUD_HUNDREDS * 100UL);
    for (uint8_t i = 0; i < ANALOG_LINES; i++) {
        run_number = (uint16_t)(run_number * 31 + (uint16_t)analogRead(analog_pins[i]));
        lines[DIGITAL_LINES + i].low = 400; /* 2 V of 5 V */
        lines[DIGITAL_LINES + i].high = 600;
    }
    run_number = (uint16_t)(run_number * 31 + (uint16_t)micros());
    uint32_t now_us = micros();
    for (uint8_t i = 0; i < LINES; i++) {
        lines[i].looked_us = lines[i].window_us = now_us;
        lines[i].level = i < DIGITAL_LINES && digitalRead(digital_pins[i]) == HIGH;
    }
    hello_due = true;
}

void loop()
{
    static uint8_t pass;
    look_at_digital();
    look_at_windows();
    watch_heartbeat();
    if (++pass % AD_EVERY == 0)
        look_at_analog();
    else
        receive_byte();
    tell_next();
    send_byte();
}
