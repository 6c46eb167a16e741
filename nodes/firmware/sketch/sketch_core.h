/* sketch_core.h: the part of Arduino.h that is C++: printing, text, the serial line. */
#ifndef SKETCH_CORE_H
#define SKETCH_CORE_H

inline sketch_pin_listener sketch_listener = nullptr;

inline void pinMode(uint8_t pin, uint8_t mode)
{
    board_pin_mode(pin, mode == OUTPUT ? BOARD_OUTPUT
                        : mode == INPUT_PULLUP ? BOARD_INPUT_PULLUP : BOARD_INPUT);
    if (sketch_listener)
        sketch_listener(pin, HIGH + 1);
}

inline void digitalWrite(uint8_t pin, uint8_t level)
{
    board_pin_write(pin, level != LOW);
    if (sketch_listener)
        sketch_listener(pin, level != LOW);
}

template <class A, class B> auto min(A a, B b) -> decltype(a < b ? a : b) { return a < b ? a : b; }
template <class A, class B> auto max(A a, B b) -> decltype(a > b ? a : b) { return a > b ? a : b; }

inline void randomSeed(unsigned long seed) { srand((unsigned)seed); }
inline long random(long high) { return high > 0 ? rand() % high : 0; }
inline long random(long low, long high) { return low < high ? low + random(high - low) : low; }

class __FlashStringHelper;
#define F(text) (reinterpret_cast<const __FlashStringHelper *>(text))
enum { BIN = 2, OCT = 8, DEC = 10, HEX = 16 };

/* Text that grows on the heap. */
class String {
public:
    String(const char *text = "") { assign(text ? text : "", text ? strlen(text) : 0); }
    String(const __FlashStringHelper *text) : String(reinterpret_cast<const char *>(text)) {}
    String(const String &other) { assign(other.text_, other.length_); }
    String(char one) { assign(&one, 1); }
    String(unsigned char n, int base = DEC) { number(n, false, base); }
    String(int n, int base = DEC) { number(n < 0 && base == DEC ? -(long long)n : (unsigned)n, n < 0 && base == DEC, base); }
    String(unsigned n, int base = DEC) { number(n, false, base); }
    String(long long n, int base = DEC) { number(n < 0 ? -n : n, n < 0, base); }
    String(unsigned long long n, int base = DEC) { number(n, false, base); }
    String(double value, int digits = 2)
    {
        char made[48];
        int size = snprintf(made, sizeof made, "%.*f", digits, value);
        assign(made, (size_t)size < sizeof made ? size : sizeof made - 1);
    }
    ~String() { free(text_); }

    String &operator=(const String &other)
    {
        if (this != &other) {
            char *old = text_;
            assign(other.text_, other.length_);
            free(old);
        }
        return *this;
    }
    String &operator+=(const String &other)
    {
        char *old = text_;
        size_t before = length_;
        text_ = (char *)malloc(before + other.length_ + 1);
        memcpy(text_, old, before);
        memmove(text_ + before, &other == this ? old : other.text_, other.length_);
        length_ = before + other.length_;
        text_[length_] = 0;
        free(old);
        return *this;
    }
    bool concat(const String &other) { *this += other; return true; }
    friend String operator+(String a, const String &b) { return a += b; }
    bool operator==(const String &other) const { return !strcmp(text_, other.text_); }
    bool operator!=(const String &other) const { return !(*this == other); }
    bool equals(const String &other) const { return *this == other; }
    char operator[](size_t at) const { return at < length_ ? text_[at] : 0; }
    char charAt(size_t at) const { return (*this)[at]; }
    const char *c_str() const { return text_; }
    unsigned length() const { return (unsigned)length_; }
    bool isEmpty() const { return !length_; }
    bool reserve(unsigned) { return true; }
    long toInt() const { return (long)atoi(text_); }
    float toFloat() const { return (float)atof(text_); }
    int indexOf(char one) const
    {
        const char *found = strchr(text_, one);
        return found ? (int)(found - text_) : -1;
    }
    bool startsWith(const String &head) const { return !strncmp(text_, head.text_, head.length_); }
    String substring(unsigned from) const { return substring(from, (unsigned)length_); }
    String substring(unsigned from, unsigned to) const
    {
        String made;
        to = to > length_ ? (unsigned)length_ : to;
        if (from < to) {
            free(made.text_);
            made.assign(text_ + from, to - from);
        }
        return made;
    }

private:
    void assign(const char *text, size_t length)
    {
        text_ = (char *)malloc(length + 1);
        memcpy(text_, text, length);
        text_[length] = 0;
        length_ = length;
    }
    void number(unsigned long long n, bool negative, int base)
    {
        char made[68], *at = made + sizeof made;
        char *end = at;
        do {
            *--at = "0123456789ABCDEF"[n % base];
            n /= base;
        } while (n);
        if (negative)
            *--at = '-';
        assign(at, end - at);
    }

    char *text_;
    size_t length_;
};

class Print {
public:
    virtual ~Print() {}
    virtual size_t write(uint8_t one) = 0;
    virtual size_t write(const uint8_t *data, size_t length)
    {
        for (size_t i = 0; i < length; i++)
            write(data[i]);
        return length;
    }
    size_t write(const char *text) { return write((const uint8_t *)text, strlen(text)); }
    virtual void flush() {}

    size_t print(const String &text) { return write((const uint8_t *)text.c_str(), text.length()); }
    size_t print(const char *text) { return write(text); }
    size_t print(const __FlashStringHelper *text) { return write(reinterpret_cast<const char *>(text)); }
    size_t print(char one) { return write((uint8_t)one); }
    size_t print(double value, int digits = 2) { return print(String(value, digits)); }
    template <class N> size_t print(N n, int base = DEC) { return print(String(n, base)); }
    size_t println() { return write("\r\n"); }
    template <class T> size_t println(const T &value) { return print(value) + println(); }
    size_t println(const char *text) { return print(text) + println(); }
    template <class T> size_t println(const T &value, int how) { return print(value, how) + println(); }
    size_t printf(const char *format, ...) __attribute__((format(printf, 2, 3)))
    {
        char made[256];
        va_list values;
        va_start(values, format);
        vsnprintf(made, sizeof made, format, values);
        va_end(values);
        return write(made);
    }
};

class Stream : public Print {
public:
    virtual int available() = 0;
    virtual int read() = 0;
    virtual int peek() = 0;
    void setTimeout(unsigned long) {}
};

/* Nobody types on the bench: there is never anything to read. */
class HardwareSerial : public Stream {
public:
    void begin(unsigned long baud, int = 0) { board_serial_begin((uint32_t)baud); }
    void end() {}
    int available() override { board_delay_us(0); return 0; }
    int availableForWrite() { return 64; }
    int read() override { return -1; }
    int peek() override { return -1; }
    using Print::write;
    size_t write(uint8_t one) override { board_serial_write(&one, 1); return 1; }
    size_t write(const uint8_t *data, size_t length) override
    {
        board_serial_write(data, length);
        return length;
    }
    operator bool() const { return true; }
};

inline HardwareSerial Serial;

#endif
