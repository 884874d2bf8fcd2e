/*
 * One exchange a second, a byte an interrupt: set-up (address, register, value) or reading (address, register, address
 * again, three bytes). An exchange that is not done after a second is given up and the bus let go.
 */
#include "baro.h"

#include <avr/interrupt.h>
#include <util/twi.h>

#include "board.h"
#include "calibration.h"

#define BUS_HZ 100000UL

enum step { IDLE, STARTED, ADDRESSED, REGISTER, VALUE, AGAIN, TO_READ, BYTES };

static volatile uint8_t step;
static volatile bool is_done; /* as it should be */
static bool is_setting_up;
static volatile uint8_t bytes[3];
static uint8_t count;

void baro_begin(void) {
    TWSR = 0;
    TWBR = (uint8_t)((F_CPU / BUS_HZ - 16) / 2);
}

static inline void go(uint8_t control) {
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWIE) | control;
}

static inline void go_with(uint8_t byte, enum step next) {
    TWDR = byte;
    step = next;
    go(0);
}

static inline void stop(bool done) {
    is_done = done;
    step = IDLE;
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
}

ISR(TWI_vect) {
    uint8_t state = TWSR & TW_STATUS_MASK;
    if (step == STARTED && state == TW_START) {
        go_with(BARO_ADDRESS << 1 | TW_WRITE, ADDRESSED);
    } else if (step == ADDRESSED && (state == TW_MT_SLA_ACK || state == TW_MT_DATA_ACK)) {
        /* The chip says "address acknowledged" here, its simulation "data acknowledged". */
        go_with(is_setting_up ? BARO_SETUP_REGISTER : BARO_DATA_REGISTER, REGISTER);
    } else if (step == REGISTER && state == TW_MT_DATA_ACK) {
        if (is_setting_up) {
            go_with(BARO_SETUP_VALUE, VALUE);
        } else {
            step = AGAIN;
            go(_BV(TWSTA));
        }
    } else if (step == VALUE && state == TW_MT_DATA_ACK) {
        stop(true);
    } else if (step == AGAIN && state == TW_REP_START) {
        go_with(BARO_ADDRESS << 1 | TW_READ, TO_READ);
    } else if (step == TO_READ && state == TW_MR_SLA_ACK) {
        count = 0;
        step = BYTES;
        go(_BV(TWEA));
    } else if (step == BYTES && state == (count < 2 ? TW_MR_DATA_ACK : TW_MR_DATA_NACK)) {
        bytes[count++] = TWDR;
        if (count == 3) {
            stop(true);
        } else {
            go(count < 2 ? _BV(TWEA) : 0);
        }
    } else {
        stop(false);
    }
}

bool baro_turn(uint32_t *pa) {
    bool sound = step == IDLE && is_done;
    bool was_reading = sound && !is_setting_up;
    if (!sound) {
        TWCR = 0;
    }
    if (was_reading) {
        uint32_t counts = BARO_LOW_BYTE_FIRST ? (uint32_t)bytes[2] << 16 | (uint16_t)(bytes[1] << 8) | bytes[0]
                                              : (uint32_t)bytes[0] << 16 | (uint16_t)(bytes[1] << 8) | bytes[2];
        *pa = (uint32_t)(((uint64_t)counts * 1000 + BARO_COUNTS_PER_1000PA / 2) / BARO_COUNTS_PER_1000PA);
    }
    /* One that fell silent may have lost its supply, and with it its set-up. */
    is_setting_up = !sound;
    is_done = false;
    step = STARTED;
    go(_BV(TWSTA));
    return was_reading && *pa >= 40000 && *pa <= 115000;
}
