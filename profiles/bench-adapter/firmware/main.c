/*
 * The bench adapter: reads a vent-side module and its surroundings and tells a laptop, 50 rows a second, one line of
 * comma-separated values each. It drives nothing but its own weak pull-up, its probes and a lamp.
 */
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "baro.h"
#include "board.h"
#include "probe.h"
#include "row.h"
#include "sample.h"
#include "serial.h"

#define ROWS_PER_S (SLOTS_PER_S / SLOTS_PER_ROW)

/* After a reset by the watchdog it runs on at its shortest setting: stop it before anything takes time. */
__attribute__((naked, used, section(".init3"))) static void stop_watchdog(void) {
    MCUSR = 0;
    wdt_disable();
}

static void once_a_second(void) {
    uint32_t pa = 0;
    bool known = baro_turn(&pa);
    row_set_baro(known, pa);
    PINB = _BV(LIFE_PIN);
}

static void read_probe(void) {
    struct sum sum;
    bool skin;
    if (sample_probe(&sum, &skin) && sum.count) {
        row_set_probe(skin, probe_tenths((uint16_t)((sum.total * 16 + sum.count / 2) / sum.count) + 8));
    }
}

int main(void) {
    DDRB |= _BV(LIFE_PIN);
    PORTD |= _BV(KEY_FITTED_PIN);
    serial_begin();
    baro_begin();
    sample_begin();
    wdt_enable(WDTO_250MS);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();

    uint8_t headers = 2, row = 0;
    uint16_t unsent = 0;
    for (;;) {
        wdt_reset();
        headers += serial_asked();
        while (headers && row_header()) {
            headers--;
        }
        struct edge edge;
        struct window window;
        switch (sample_next(&edge, &window)) {
        case NEXT_EDGE:
            unsent += !row_edge(&edge);
            break;
        case NEXT_WINDOW:
            unsent += !row_window(&window, row == 0, sample_lost() + unsent);
            if (++row == ROWS_PER_S) {
                row = 0;
                once_a_second();
            }
            break;
        default:
            read_probe();
            /* Whatever there is to do, the timer wakes us within 125 us. */
            sleep_mode();
        }
    }
}
