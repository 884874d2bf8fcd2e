#include "row.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/crc16.h>

#include "board.h"
#include "calibration.h"
#include "probe.h"
#include "sense.h"
#include "serial.h"

enum cell {
    KEY,
    LEAK_SWITCH,
    SWITCH_SENSE,
    SOLENOID,
    SOLENOID_PEAK,
    SOLENOID_DUTY,
    GROUND,
    BATTERY,
    PRESSURE,
    BARO,
    AMBIENT,
    SKIN,
    LOST,
    CELLS
};

static const char HEADER[] PROGMEM =
    "time_s,key,leak_switch,switch_sense_v,solenoid_a,solenoid_peak_a,solenoid_duty_pct,ground_v,battery_v,"
    "tank_pressure_pa,baro_kpa,ambient_c,tank_skin_c,lost,crc\r\n";

static const uint8_t DECIMALS[CELLS] PROGMEM = {0, 0, 3, 3, 3, 0, 3, 3, 1, 3, 1, 1, 0};

#define BLANK INT32_MIN

/* What stands in a row that fills every cell, and what was sent last. */
static int32_t value[CELLS], sent[CELLS];
static int32_t baro = BLANK, ambient = BLANK, skin = BLANK;

/* The longest row: 17 of time, 13 cells of at most 11 and their commas, a comma, the check, the line's end. */
#define LONGEST 184
static char line[LONGEST];
static uint8_t length;

static void put(char c) {
    if (length < LONGEST) {
        line[length++] = c;
    }
}

/* A number with its point; `digits` at least. */
static void put_digits(uint32_t n, uint8_t digits, uint8_t decimals) {
    char back[11];
    uint8_t count = 0;
    do {
        back[count++] = (char)('0' + n % 10);
        n /= 10;
    } while (n || count < digits);
    while (count) {
        put(back[--count]);
        if (decimals && count == decimals) {
            put('.');
        }
    }
}

static void put_number(int32_t n, uint8_t decimals) {
    if (n < 0) {
        put('-');
        n = -n;
    }
    put_digits((uint32_t)n, decimals + 1, decimals);
}

static void begin(struct moment at) {
    length = 0;
    put_digits(at.s, 1, 0);
    put('.');
    put_digits((uint32_t)at.slot * SLOT_US, 6, 0);
}

/* CRC-16/CCITT-FALSE: the library's routine of that polynomial, begun with FFFF. */
static bool end(void) {
    uint16_t crc = 0xFFFF;
    for (uint8_t i = 0; i < length; i++) {
        crc = _crc_xmodem_update(crc, (uint8_t)line[i]);
    }
    put(',');
    for (int8_t shift = 12; shift >= 0; shift -= 4) {
        uint8_t nibble = (crc >> shift) & 15;
        put((char)(nibble < 10 ? '0' + nibble : 'A' - 10 + nibble));
    }
    put('\r');
    put('\n');
    return serial_put(line, length);
}

/* Sixteen times the mean count, at the middle of its step; the converter's step is 1/1024 of the reference. */
static uint16_t mean16(const struct sum *sum) {
    return (uint16_t)((sum->total * 16 + sum->count / 2) / sum->count) + 8;
}

static int32_t linear16(uint16_t counts16, int32_t bottom, int32_t top) {
    int32_t part = (top - bottom) * (int32_t)counts16;
    return bottom + (part + (part < 0 ? -8192 : 8192)) / 16384;
}

static int32_t linear(const struct sum *sum, int32_t bottom, int32_t top) {
    return sum->count ? linear16(mean16(sum), bottom, top) : BLANK;
}

/* An input at the end of its range is not measured: an open lead, or more than fits. */
static int32_t inside(int32_t v, const struct sum *sum) {
    uint32_t margin = (uint32_t)sum->count * 3;
    return sum->total < margin || sum->total > (uint32_t)sum->count * 1023 - margin ? BLANK : v;
}

static int32_t word_value(uint8_t word) {
    return word == WORD_OPEN ? 0 : word == WORD_CLOSED ? 1 : BLANK;
}

static int32_t key_value(void) {
    return PIND & _BV(KEY_FITTED_PIN) ? BLANK : (PIND & _BV(KEY_PIN)) != 0;
}

bool row_header(void) {
    return serial_put_P(HEADER, sizeof HEADER - 1);
}

bool row_edge(const struct edge *edge) {
    begin(edge->at);
    for (uint8_t i = 0; i < CELLS; i++) {
        int32_t v = BLANK;
        if (i == LEAK_SWITCH) {
            v = word_value(edge->word);
        } else if (i == SWITCH_SENSE) {
            v = linear16(edge->counts * 16 + 8, SENSE_BOTTOM, SENSE_TOP);
        }
        put(',');
        if (v != BLANK) {
            put_number(v, pgm_read_byte(&DECIMALS[i]));
            sent[i] = v;
        }
    }
    return end();
}

bool row_window(const struct window *w, bool full, uint16_t lost) {
    value[KEY] = key_value();
    value[LEAK_SWITCH] = word_value(w->word);
    value[SWITCH_SENSE] = linear(&w->sense, SENSE_BOTTOM, SENSE_TOP);
    value[SOLENOID] = inside(linear(&w->solenoid, SOLENOID_BOTTOM, SOLENOID_TOP), &w->solenoid);
    value[SOLENOID_PEAK] =
        value[SOLENOID] == BLANK ? BLANK : linear16(w->solenoid_peak * 16 + 8, SOLENOID_BOTTOM, SOLENOID_TOP);
    value[SOLENOID_DUTY] = value[SOLENOID] == BLANK
                               ? BLANK
                               : (int32_t)(((uint32_t)w->solenoid_on * 100 + w->solenoid.count / 2) / w->solenoid.count);
    value[GROUND] = inside(linear(&w->ground, GROUND_BOTTOM, GROUND_TOP), &w->ground);
    value[BATTERY] = linear(&w->battery, BATTERY_BOTTOM, BATTERY_TOP);
    value[PRESSURE] = inside(linear(&w->pressure, PRESSURE_BOTTOM, PRESSURE_TOP), &w->pressure);
    value[BARO] = baro;
    value[AMBIENT] = ambient;
    value[SKIN] = skin;
    value[LOST] = lost;

    begin(w->at);
    for (uint8_t i = 0; i < CELLS; i++) {
        put(',');
        /* The switch is told in each row: its moment is then known to a row, whatever else changes. */
        if (value[i] != BLANK && (full || i == LEAK_SWITCH || value[i] != sent[i])) {
            put_number(value[i], pgm_read_byte(&DECIMALS[i]));
        }
        sent[i] = value[i];
    }
    return end();
}

void row_set_baro(bool known, uint32_t pa) {
    baro = known ? (int32_t)pa : BLANK;
}

void row_set_probe(bool is_skin, int16_t tenths) {
    int32_t v = tenths == PROBE_NONE ? BLANK : tenths;
    if (is_skin) {
        skin = v;
    } else {
        ambient = v;
    }
}
