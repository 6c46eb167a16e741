/* driver/twai.h: the driver calls for the CAN controller inside a family of Wi-Fi processors.
 *
 * States and results as its public programming guide tells them (from memory, not looked up).
 * After bus-off twai_initiate_recovery() empties the send queue; 128 x 11 recessive bits later the
 * driver is stopped and wants twai_start() again. One tick is one millisecond. Acceptance is by one
 * filter for 11-bit identifiers, or all. The counts of lost arbitrations and of bus errors are not
 * there.
 */
#ifndef DRIVER_TWAI_H
#define DRIVER_TWAI_H

#include "../on_chip_can.h"

typedef int esp_err_t;
typedef uint32_t TickType_t;
typedef int gpio_num_t;

enum { ESP_OK = 0, ESP_FAIL = -1, ESP_ERR_INVALID_ARG = 0x102, ESP_ERR_INVALID_STATE = 0x103,
       ESP_ERR_NOT_SUPPORTED = 0x106, ESP_ERR_TIMEOUT = 0x107 };

#define portMAX_DELAY ((TickType_t)0xFFFFFFFF)
#define portTICK_PERIOD_MS 1
#define pdMS_TO_TICKS(ms) ((TickType_t)(ms))
inline void vTaskDelay(TickType_t ticks) { board_delay_ms(ticks); }

typedef enum { TWAI_MODE_NORMAL, TWAI_MODE_NO_ACK, TWAI_MODE_LISTEN_ONLY } twai_mode_t;
typedef enum { TWAI_STATE_STOPPED, TWAI_STATE_RUNNING, TWAI_STATE_BUS_OFF,
               TWAI_STATE_RECOVERING } twai_state_t;

typedef struct {
    uint32_t identifier;
    uint8_t data_length_code;
    uint8_t data[8];
    uint32_t extd : 1;
    uint32_t rtr : 1;
} twai_message_t;

typedef struct {
    twai_mode_t mode;
    gpio_num_t tx_io, rx_io;
    uint32_t tx_queue_len, rx_queue_len;
} twai_general_config_t;

typedef struct { uint32_t bit_rate; } twai_timing_config_t;
typedef struct {
    uint32_t acceptance_code, acceptance_mask; /* a 1 in the mask: this bit is not looked at */
    bool single_filter;
} twai_filter_config_t;

typedef struct {
    twai_state_t state;
    uint32_t msgs_to_tx, msgs_to_rx, tx_error_counter, rx_error_counter;
    uint32_t rx_missed_count, rx_overrun_count;
} twai_status_info_t;

#define TWAI_GENERAL_CONFIG_DEFAULT(tx, rx, mode) {mode, (gpio_num_t)(tx), (gpio_num_t)(rx), 5, 5}
#define TWAI_TIMING_CONFIG_50KBITS() {50000}
#define TWAI_TIMING_CONFIG_100KBITS() {100000}
#define TWAI_TIMING_CONFIG_125KBITS() {125000}
#define TWAI_TIMING_CONFIG_250KBITS() {250000}
#define TWAI_TIMING_CONFIG_500KBITS() {500000}
#define TWAI_TIMING_CONFIG_800KBITS() {800000}
#define TWAI_TIMING_CONFIG_1MBITS() {1000000}
#define TWAI_FILTER_CONFIG_ACCEPT_ALL() {0, 0xFFFFFFFF, true}

namespace twai {

inline bool installed = false;
inline twai_state_t state = TWAI_STATE_STOPPED;
inline twai_mode_t mode = TWAI_MODE_NORMAL;

/* The state after what the bus did meanwhile. */
inline twai_state_t look()
{
    bool off = on_chip_can::driver.status().state == BOARD_CAN_BUS_OFF;
    if (off && state == TWAI_STATE_RUNNING) {
        state = TWAI_STATE_BUS_OFF;
    } else if (!off && state == TWAI_STATE_RECOVERING) {
        on_chip_can::driver.stop();
        state = TWAI_STATE_STOPPED;
    }
    return state;
}

inline void on_event()
{
    look();
    on_chip_can::driver.work();
}

/* Waits until something holds, at most so many milliseconds. */
template <class Test> bool wait(TickType_t ticks, Test test)
{
    uint32_t began = board_ms();
    while (!test()) {
        if (ticks != portMAX_DELAY && board_ms() - began >= ticks)
            return false;
        board_delay_us(100);
    }
    return true;
}

} // namespace twai

inline esp_err_t twai_driver_install(const twai_general_config_t *general,
                                     const twai_timing_config_t *timing,
                                     const twai_filter_config_t *filter)
{
    auto &driver = on_chip_can::driver;
    if (!general || !timing || !filter)
        return ESP_ERR_INVALID_ARG;
    if (twai::installed)
        return ESP_ERR_INVALID_STATE;
    if (general->tx_queue_len < 1 || general->rx_queue_len < 1 || !filter->single_filter ||
        general->mode == TWAI_MODE_NO_ACK)
        return ESP_ERR_NOT_SUPPORTED;
    on_chip_can::check_bit_rate(timing->bit_rate);
    driver.stop();
    driver.comes_back = false;
    driver.sending.limit(general->tx_queue_len);
    driver.received.limit(general->rx_queue_len);
    board_can_accept_all();
    if (filter->acceptance_mask != 0xFFFFFFFF)
        board_can_filter(filter->acceptance_code >> 21, ~filter->acceptance_mask >> 21, false);
    twai::mode = general->mode;
    twai::state = TWAI_STATE_STOPPED;
    twai::installed = true;
    return ESP_OK;
}

inline esp_err_t twai_start(void)
{
    if (!twai::installed || twai::look() != TWAI_STATE_STOPPED)
        return ESP_ERR_INVALID_STATE;
    on_chip_can::driver.received.clear();
    on_chip_can::driver.start(twai::mode == TWAI_MODE_LISTEN_ONLY ? BOARD_CAN_LISTEN_ONLY
                                                                  : BOARD_CAN_NORMAL);
    board_on_can(BOARD_CAN_RECEIVED | BOARD_CAN_SENT | BOARD_CAN_STATE, twai::on_event);
    twai::state = TWAI_STATE_RUNNING;
    return ESP_OK;
}

inline esp_err_t twai_stop(void)
{
    if (!twai::installed || twai::look() != TWAI_STATE_RUNNING)
        return ESP_ERR_INVALID_STATE;
    board_can_abort();
    on_chip_can::driver.sending.clear();
    on_chip_can::driver.stop();
    twai::state = TWAI_STATE_STOPPED;
    return ESP_OK;
}

inline esp_err_t twai_driver_uninstall(void)
{
    twai_state_t state = twai::look();
    if (!twai::installed || (state != TWAI_STATE_STOPPED && state != TWAI_STATE_BUS_OFF))
        return ESP_ERR_INVALID_STATE;
    on_chip_can::driver.stop();
    twai::installed = false;
    return ESP_OK;
}

inline esp_err_t twai_transmit(const twai_message_t *message, TickType_t ticks)
{
    auto &driver = on_chip_can::driver;
    if (!message || message->data_length_code > 8)
        return ESP_ERR_INVALID_ARG;
    if (!twai::installed || twai::look() != TWAI_STATE_RUNNING)
        return ESP_ERR_INVALID_STATE;
    if (twai::mode == TWAI_MODE_LISTEN_ONLY)
        return ESP_ERR_NOT_SUPPORTED;
    board_frame frame = {message->identifier, (bool)message->extd, (bool)message->rtr,
                         message->data_length_code, {}};
    memcpy(frame.data, message->data, sizeof frame.data);
    auto settled = [&] { return twai::look() != TWAI_STATE_RUNNING || driver.send(frame); };
    if (!twai::wait(ticks, settled))
        return ESP_ERR_TIMEOUT;
    return twai::state == TWAI_STATE_RUNNING ? ESP_OK : ESP_ERR_INVALID_STATE;
}

inline esp_err_t twai_receive(twai_message_t *message, TickType_t ticks)
{
    board_frame frame;
    if (!message)
        return ESP_ERR_INVALID_ARG;
    if (!twai::installed)
        return ESP_ERR_INVALID_STATE;
    if (!twai::wait(ticks, [&] { return on_chip_can::driver.receive(frame); }))
        return ESP_ERR_TIMEOUT;
    *message = {frame.id, frame.length, {}, frame.extended, frame.remote};
    memcpy(message->data, frame.data, sizeof frame.data);
    return ESP_OK;
}

inline esp_err_t twai_get_status_info(twai_status_info_t *info)
{
    auto &driver = on_chip_can::driver;
    if (!info)
        return ESP_ERR_INVALID_ARG;
    if (!twai::installed)
        return ESP_ERR_INVALID_STATE;
    struct board_can_status now = driver.status();
    *info = {twai::look(), (uint32_t)driver.sending.count() + now.pending,
             (uint32_t)driver.received.count(), now.tec, now.rec, driver.missed, now.overruns};
    return ESP_OK;
}

inline esp_err_t twai_initiate_recovery(void)
{
    if (!twai::installed || twai::look() != TWAI_STATE_BUS_OFF)
        return ESP_ERR_INVALID_STATE;
    board_can_abort();
    on_chip_can::driver.sending.clear();
    twai::state = TWAI_STATE_RECOVERING;
    board_can_recover();
    return ESP_OK;
}

#endif
