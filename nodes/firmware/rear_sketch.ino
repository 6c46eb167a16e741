/* rear_sketch.ino: the rear node of a van as a sketch, with an SPI CAN controller at register level.
 *
 * The same job as rear.c, written as hobby sketches are: pinMode and digitalWrite, millis(), a chip
 * select, an interrupt pin that a flag follows. The chip's registers and bits carry the names of its
 * data sheet. For a board with an ATmega2560: chip select 53, interrupt 2, oscillator 16 MHz.
 */
#include <SPI.h>
#include <avr/wdt.h>

/* ---- pins: the chip on 2 and 50 to 53; the lamp that fades on a pin that a timer drives */

const byte CAN_CS = 53, CAN_INT = 2;
const byte TAIL_LEFT = 3, TAIL_RIGHT = 4, PLATE_LAMP = 5, BRAKE_LAMPS = 6, REVERSE_LAMPS = 7,
           INDICATOR_LEFT = 8, INDICATOR_RIGHT = 9, FUEL_PUMP = 22, INTERIOR_LAMP = 11, SOCKET = 24;
const byte BRAKE_PEDAL = 30, REVERSE_GEAR = 31, IGNITION_ON = 32, HAZARD = 33, OIL_PRESSURE = 34,
           CRASH = 35;
/* analogue inputs: the supply through a divider, 25 V at full scale, and the switches' currents */
const byte SUPPLY = 54, FIRST_CURRENT = 55;

/* ---- the CAN controller */

const byte RESET_CHIP = 0xC0, READ = 0x03, WRITE = 0x02, READ_STATUS = 0xA0, BIT_MODIFY = 0x05;
const byte LOAD_TX0 = 0x40, RTS_TX0 = 0x81, READ_RX0 = 0x90, READ_RX1 = 0x94;
const byte CANSTAT = 0x0E, CANCTRL = 0x0F, CNF3 = 0x28, CANINTE = 0x2B, EFLG = 0x2D;
const byte TXB0CTRL = 0x30, RXB0CTRL = 0x60, RXM0SIDH = 0x20, TXREQ = 0x08, TXBO = 0x20;
const byte FILTERS[] = {0x00, 0x04, 0x08, 0x10, 0x14, 0x18};

struct Frame {
    unsigned id;
    byte length;
    byte data[8];
};

volatile bool somethingCame = true;

void select() { digitalWrite(CAN_CS, LOW); }
void release() { digitalWrite(CAN_CS, HIGH); }

void writeRegisters(byte address, const byte *values, byte count)
{
    select();
    SPI.transfer(WRITE);
    SPI.transfer(address);
    for (byte i = 0; i < count; i++)
        SPI.transfer(values[i]);
    release();
}

void writeRegister(byte address, byte value) { writeRegisters(address, &value, 1); }

byte readRegister(byte address)
{
    select();
    SPI.transfer(READ);
    SPI.transfer(address);
    byte value = SPI.transfer(0);
    release();
    return value;
}

byte readStatus()
{
    select();
    SPI.transfer(READ_STATUS);
    byte value = SPI.transfer(0);
    release();
    return value;
}

void writeIdentifier(byte address, unsigned id)
{
    const byte values[] = {(byte)(id >> 3), (byte)(id << 5), 0, 0};
    writeRegisters(address, values, 4);
}

void canInterrupt() { somethingCame = true; }

void beginCan()
{
    static const unsigned wanted[] = {0x0A0, 0x0D0, 0x0C0, 0x0C0, 0x0C0, 0x0C0};
    pinMode(CAN_CS, OUTPUT);
    release();
    SPI.begin();
    select();
    SPI.transfer(RESET_CHIP);
    release();
    delayMicroseconds(20);
    for (byte i = 0; i < 6; i++)
        writeIdentifier(FILTERS[i], wanted[i]);
    writeIdentifier(RXM0SIDH, 0x7FF);
    writeIdentifier(RXM0SIDH + 4, 0x7FF);
    /* 250 kbit/s at 16 MHz, sampled at 75 %: CNF3, CNF2, CNF1 */
    const byte timing[] = {0x03, 0xAC, 0x41};
    writeRegisters(CNF3, timing, 3);
    writeRegister(RXB0CTRL, 0x04); /* BUKT: buffer 0 rolls over into buffer 1 */
    writeRegister(CANINTE, 0x03);  /* both receive buffers */
    writeRegister(CANCTRL, 0x00);  /* normal mode */
    pinMode(CAN_INT, INPUT_PULLUP);
    attachInterrupt(digitalPinToInterrupt(CAN_INT), canInterrupt, FALLING);
}

bool readFrame(Frame &frame)
{
    byte status = readStatus();
    if (!(status & 3))
        return false;
    byte head[5];
    select();
    SPI.transfer(status & 1 ? READ_RX0 : READ_RX1);
    for (byte i = 0; i < 5; i++)
        head[i] = SPI.transfer(0);
    frame.id = (unsigned)head[0] << 3 | head[1] >> 5;
    frame.length = head[4] & 0x0F;
    bool plain = !(head[1] & 0x18);
    for (byte i = 0; i < frame.length && i < 8; i++)
        frame.data[i] = SPI.transfer(0);
    release(); /* the chip marks the buffer free */
    if (!plain)
        frame.id = 0xFFFF;
    return true;
}

bool sendFrame(const Frame &frame)
{
    if (readStatus() & 0x04) /* TXREQ of buffer 0 */
        return false;
    select();
    SPI.transfer(LOAD_TX0);
    SPI.transfer((byte)(frame.id >> 3));
    SPI.transfer((byte)(frame.id << 5));
    SPI.transfer(0);
    SPI.transfer(0);
    SPI.transfer(frame.length);
    for (byte i = 0; i < frame.length; i++)
        SPI.transfer(frame.data[i]);
    release();
    select();
    SPI.transfer(RTS_TX0);
    release();
    return true;
}

void withdrawFrame()
{
    select();
    SPI.transfer(BIT_MODIFY);
    SPI.transfer(TXB0CTRL);
    SPI.transfer(TXREQ);
    SPI.transfer(0);
    release();
}

/* ---- the messages that this node listens to */

enum LinkState { WAITING, FRESH, LOST };

struct Link {
    unsigned id;
    byte length;
    unsigned staleMs;
    LinkState state;
    bool counted;
    byte count, good;
    unsigned long heard, lostAt;
    byte data[8];
};

Link lamp = {0x0A0, 4, 250}, body = {0x0D0, 3, 250}, engine = {0x0C0, 2, 500};
Link *const links[] = {&lamp, &body, &engine};

/* CRC-8 of SAE J1850 over the identifier, high byte first, and the payload behind byte 0. */
byte crcStep(byte crc, byte value)
{
    crc ^= value;
    for (byte i = 0; i < 8; i++)
        crc = crc & 0x80 ? (byte)(crc << 1) ^ 0x1D : crc << 1;
    return crc;
}

byte checksum(const Frame &frame)
{
    byte crc = crcStep(crcStep(0xFF, highByte(frame.id)), lowByte(frame.id));
    for (byte i = 1; i < frame.length; i++)
        crc = crcStep(crc, frame.data[i]);
    return crc ^ 0xFF;
}

void take(Link &link, const Frame &frame, unsigned long now)
{
    if (frame.length != link.length || frame.data[0] != checksum(frame))
        return;
    byte count = frame.data[1] & 0x0F, step = (count - link.count) & 0x0F;
    if (link.counted && (step == 0 || step > 5))
        return;
    link.counted = true;
    link.count = count;
    link.heard = now;
    if (link.state == LOST && ++link.good < 2)
        return; /* one alone may come from a sender that repeats itself for ever */
    link.state = FRESH;
    memcpy(link.data, frame.data, link.length);
}

void watch(Link &link, unsigned long now)
{
    if (now - link.heard < link.staleMs)
        return;
    link.counted = false;
    link.good = 0;
    if (link.state != LOST) {
        link.state = LOST;
        link.lostAt = now;
    }
}

bool asked(const Link &link, byte at, byte number, bool withoutLink, bool afterReset)
{
    if (link.state == FRESH)
        return bitRead(link.data[at], number);
    return link.state == WAITING ? afterReset : withoutLink;
}

/* ---- flashing: a clock of its own, trimmed in the dark phase towards that of the dash */

const int CYCLE = 660, LIT = 330;
bool flashing = false, lit = false, dashKnown = false;
unsigned long began = 0, dashBegan = 0;
int waitMs = 0;

int trim()
{
    if (!dashKnown)
        return 0;
    long late = (long)(began - dashBegan) % CYCLE;
    if (late < 0)
        late += CYCLE;
    if (late <= 30 || late >= CYCLE - 30)
        return 0;
    return late <= 130 ? -late : min(CYCLE - late, 260L);
}

void flash(bool wanted, unsigned long now)
{
    if (!wanted) {
        flashing = lit = false;
    } else if (!flashing) {
        int phase = dashKnown ? (now - dashBegan) % CYCLE : 0;
        flashing = true;
        lit = phase < LIT;
        began = now - phase;
        waitMs = lit ? LIT : CYCLE;
    } else if (now - began >= (unsigned long)waitMs) {
        lit = !lit;
        if (lit)
            began = now;
        waitMs = lit ? LIT : CYCLE + trim();
    }
}

/* ---- outputs */

bool interiorGivenUp = false, cutOff = false; /* by a crash */
unsigned long interiorAt = 0;                 /* when it was asked for last */
const unsigned FADE = 500;

enum Failure { NONE, WHILE_OFF, WHILE_ON };

struct Output {
    byte pin;
    unsigned leastMa; /* less while it is on: it has failed; 0: nobody looks */
    unsigned fullMa;  /* the current at the largest reading of its pin */
    byte duty;
    bool doubtful;
    Failure failed;
};

Output outputs[] = {{TAIL_LEFT, 200, 2500}, {TAIL_RIGHT, 200, 2500}, {PLATE_LAMP, 200, 2500},
                    {BRAKE_LAMPS, 1500, 10000}, {REVERSE_LAMPS, 1500, 10000},
                    {INDICATOR_LEFT, 800, 5000}, {INDICATOR_RIGHT, 800, 5000},
                    {FUEL_PUMP, 2000, 20000}, {INTERIOR_LAMP, 100, 2500}, {SOCKET, 0, 0}};
const byte OUTPUTS = sizeof outputs / sizeof *outputs;

void drive(byte pin, byte duty)
{
    for (Output &output : outputs)
        if (output.pin == pin && output.duty != duty) {
            output.duty = duty;
            output.doubtful = false;
        }
    if (duty == 0 || duty == 255)
        digitalWrite(pin, duty ? HIGH : LOW);
    else
        analogWrite(pin, duty);
}

void drive(byte pin, bool on) { drive(pin, (byte)(on ? 255 : 0)); }

/* It goes out slowly when the door is closed. */
byte interiorDuty(bool on, unsigned long now)
{
    static byte duty = 0;
    unsigned long dark = now - interiorAt;
    if (on)
        interiorAt = now;
    if (on || !duty || dark >= FADE)
        duty = on ? 255 : 0;
    else
        duty = (FADE - dark) * 255 / FADE;
    return duty;
}

/* The pump stays off until somebody turns the key back, whether it is asked for meanwhile or not. */
void watchCrash()
{
    if (digitalRead(CRASH))
        cutOff = true;
    else if (!digitalRead(IGNITION_ON))
        cutOff = false;
}

void switchOutputs(unsigned long now)
{
    watchCrash();
    bool position = asked(lamp, 1, 4, true, true);
    bool hazard = digitalRead(HAZARD);
    bool left = hazard || asked(lamp, 2, 0, false, false);
    bool right = hazard || asked(lamp, 2, 1, false, false);
    if (body.state == FRESH)
        interiorGivenUp = false;
    else if (body.state == LOST && now - body.lostAt >= 800)
        interiorGivenUp = true;
    bool interior = body.state != WAITING && !interiorGivenUp && bitRead(body.data[1], 7);
    flash(left || right, now);
    drive(TAIL_LEFT, position);
    drive(TAIL_RIGHT, position);
    drive(PLATE_LAMP, position);
    drive(BRAKE_LAMPS, (bool)digitalRead(BRAKE_PEDAL));
    drive(REVERSE_LAMPS, digitalRead(REVERSE_GEAR) && digitalRead(IGNITION_ON));
    drive(INDICATOR_LEFT, left && lit);
    drive(INDICATOR_RIGHT, right && lit);
    bool turns = digitalRead(OIL_PRESSURE) && digitalRead(IGNITION_ON);
    drive(FUEL_PUMP, (turns || asked(engine, 1, 5, false, false)) && !cutOff);
    drive(INTERIOR_LAMP, interiorDuty(interior, now));
    drive(SOCKET, asked(body, 2, 0, false, false));
}

/* ---- what the current tells: a blown fuse, a broken lead, a relay that stays closed */

const unsigned NOTHING_MA = 100, WORKS_FROM_MV = 9000, FULL_MV = 25000;
const byte BETWEEN_LOOKS = 10; /* ms: each output is looked at every 100 ms */
unsigned long lookedAt = 0;
byte lookNext = 0;

unsigned reading(byte pin, unsigned full) { return (unsigned long)analogRead(pin) * full / 1023; }

unsigned supplyMv() { return reading(SUPPLY, FULL_MV); }

/* Two looks at one level of the pin that both find it wrong make a failure: the first may come
 * before a lamp is warm or a relay has moved. Two that find it right end one: a switch that tries
 * again drives its short for a moment. */
void lookAt(Output &output, byte place)
{
    if (!output.leastMa)
        return;
    unsigned ma = reading(FIRST_CURRENT + place, output.fullMa);
    Failure here = output.duty ? WHILE_ON : WHILE_OFF;
    bool wrong = output.duty ? ma < output.leastMa : ma > NOTHING_MA;
    if (wrong && output.doubtful)
        output.failed = here;
    else if (!wrong && !output.doubtful && output.failed == here)
        output.failed = NONE;
    output.doubtful = wrong;
}

/* One at a time: reading the converter takes as long as a frame on the bus. */
void lookAtCurrents(unsigned long now)
{
    if (now - lookedAt < BETWEEN_LOOKS)
        return;
    lookedAt = now;
    if (supplyMv() >= WORKS_FROM_MV)
        lookAt(outputs[lookNext], lookNext);
    lookNext = (lookNext + 1) % OUTPUTS;
}

/* ---- the heartbeat */

unsigned long sentAt = 0, refusedAt = 0, offAt = 0;
bool refused = false, cameBack = false, wasOff = false, resting = false;
byte counter = 0;

/* The chip comes back from bus-off by itself, and at once. It has nothing to send then for a while:
   one that fails again and again leaves the bus to the others, and nothing old goes out. */
void watchBusOff(unsigned long now)
{
    bool off = readRegister(EFLG) & TXBO;
    if (off && !wasOff) {
        withdrawFrame();
        refused = false;
        resting = true;
        offAt = now;
    }
    cameBack = cameBack || (wasOff && !off);
    wasOff = off;
    resting = resting && (off || now - offAt < 200);
}

void sendHeartbeat(unsigned long now)
{
    bool lost = lamp.state != FRESH || body.state != FRESH || engine.state != FRESH;
    bool failed = false;
    for (const Output &output : outputs)
        failed = failed || output.failed != NONE;
    unsigned long seconds = min(now / 1000, 255UL);
    Frame frame = {0x202, 4, {0, (byte)(counter | lost << 4 | cameBack << 5 | failed << 6),
                              (byte)(supplyMv() / 100), (byte)seconds}};
    frame.data[0] = checksum(frame);
    if (sendFrame(frame)) {
        counter = (counter + 1) & 0x0F;
        sentAt = now;
        refused = false;
    } else if (!refused) {
        refused = true;
        refusedAt = now;
    } else if (now - refusedAt >= 10) {
        withdrawFrame();
        refused = false;
    }
}

/* ---- the program */

void setup()
{
    unsigned long now = millis();
    for (Link *link : links)
        link->heard = now;
    switchOutputs(now); /* the levels first, then the pins: no output twitches */
    for (Output &output : outputs)
        pinMode(output.pin, OUTPUT);
    wdt_enable(WDTO_120MS);
    beginCan();
    sentAt = now - 100;
}

void loop()
{
    unsigned long now = millis();
    Frame frame;
    if (somethingCame) {
        somethingCame = false;
        while (readFrame(frame))
            for (Link *link : links)
                if (frame.id == link->id) {
                    take(*link, frame, now);
                    if (link == &lamp && lamp.heard == now && lamp.state == FRESH) {
                        dashKnown = lamp.data[3] != 255;
                        dashBegan = now - lamp.data[3] * 5UL;
                    }
                }
    }
    for (Link *link : links)
        watch(*link, now);
    dashKnown = dashKnown && lamp.state == FRESH;
    switchOutputs(now);
    lookAtCurrents(now);
    watchBusOff(now);
    if (now - sentAt >= 100 && !resting)
        sendHeartbeat(now);
    wdt_reset();
    delayMicroseconds(400); /* the chip holds two frames; two more take 0.5 ms to come */
}
