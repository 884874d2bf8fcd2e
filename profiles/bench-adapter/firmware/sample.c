/*
 * Timer 1 fires each 125 us. Each time, the conversion begun before is read and the next one begun, so that a sample's
 * moment is the timer's and not that of any program. Of four conversions one is the sense line (2 kHz), two are the
 * solenoid (4 kHz), and one of what changes more slowly.
 */
#include "sample.h"

#include <avr/interrupt.h>
#include <util/atomic.h>

#include "board.h"
#include "calibration.h"
#include "sense.h"

#define EDGES 32 /* a power of two */

/* Ten in turn, each 5 ms. */
static const uint8_t SLOW[10] = {
    ADC_GROUND, ADC_PRESSURE, ADC_GROUND, ADC_PRESSURE, ADC_BATTERY,
    ADC_PRESSURE, ADC_GROUND, ADC_PRESSURE, ADC_GROUND, ADC_PROBE,
};

#define ON ((uint16_t)((SOLENOID_ON_ABOVE - SOLENOID_BOTTOM) * 1024L / (SOLENOID_TOP - SOLENOID_BOTTOM)))

/* Of a probe's half second the first tenth is not counted: its node settles. */
#define PROBE_SLOTS (SLOTS_PER_S / 2)
#define PROBE_SETTLE (SLOTS_PER_S / 10)

static struct moment now;
static uint8_t quarter, turn, channel;
static uint8_t row_left = SLOTS_PER_ROW;

static struct sense sense;
static struct window gathering, ready;
static volatile bool is_ready;

static struct edge edges[EDGES];
static uint8_t edge_first, edge_count;

static struct sum probe, probe_ready;
static bool probe_is_skin;
static volatile bool probe_is_ready;

static uint16_t lost;

static inline void start(uint8_t which) {
    channel = which;
    ADMUX = _BV(REFS0) | which;
    ADCSRA |= _BV(ADSC);
}

static void feed_probe(bool skin) {
    uint8_t pin = skin ? _BV(SKIN_PIN) : _BV(AIR_PIN);
    uint8_t both = _BV(SKIN_PIN) | _BV(AIR_PIN);
    /* The other one hangs free, or it would be read too. */
    PORTD &= (uint8_t)~both;
    DDRD &= (uint8_t)~both;
    DDRD |= pin;
    PORTD |= pin;
}

void sample_begin(void) {
    sense_begin(&sense);
    feed_probe(false);
    /* 16 MHz / 128: the slowest clock of the converter, the most exact one. */
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    DIDR0 = 0x0F;
    start(ADC_SENSE);
    while (ADCSRA & _BV(ADSC)) {
    }
    start(ADC_SENSE);
    TCCR1A = 0;
    OCR1A = (uint16_t)(F_CPU / SLOTS_PER_S - 1);
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A);
    TIMSK1 = _BV(OCIE1A);
    TCCR1B = _BV(WGM12) | _BV(CS10);
}

static inline void add(struct sum *sum, uint16_t counts) {
    sum->total += counts;
    sum->count++;
}

static inline void took_sense(uint16_t counts) {
    bool is_own = sense_is_own(&sense);
    if (sense_step(&sense, counts)) {
        /* A mean over both sides of an edge would be the level of neither. */
        gathering.sense = (struct sum){0, 0};
        if (edge_count < EDGES) {
            edges[(edge_first + edge_count++) % EDGES] = (struct edge){now, counts, sense.word};
        } else {
            lost++;
        }
    }
    if (is_own) {
        add(&gathering.sense, counts);
    }
}

static inline void took_solenoid(uint16_t counts) {
    add(&gathering.solenoid, counts);
    if (counts > gathering.solenoid_peak) {
        gathering.solenoid_peak = counts;
    }
    gathering.solenoid_on += counts >= ON;
}

static inline void took_probe(uint16_t counts) {
    uint16_t in_half = now.slot % PROBE_SLOTS;
    if (in_half >= PROBE_SETTLE) {
        add(&probe, counts);
    }
}

static inline void close_probe(void) {
    if (now.slot == 0 || now.slot == PROBE_SLOTS) {
        probe_ready = probe;
        probe = (struct sum){0, 0};
        /* The first half of a second is the air's. */
        probe_is_skin = now.slot == 0;
        probe_is_ready = true;
        feed_probe(!probe_is_skin);
    }
}

static inline void close_window(void) {
    if (--row_left) {
        return;
    }
    row_left = SLOTS_PER_ROW;
    if (is_ready) {
        /* The last one was not fetched: this one goes on, and its row is missing. */
        lost++;
        return;
    }
    ready = gathering;
    ready.at = now;
    ready.word = sense.word;
    is_ready = true;
    gathering = (struct window){0};
}

ISR(TIMER1_COMPA_vect) {
    bool late = ADCSRA & _BV(ADSC);
    uint16_t counts = ADC;
    uint8_t taken = channel;

    quarter = (quarter + 1) & 3;
    if (quarter == 0) {
        start(ADC_SENSE);
    } else if (quarter == 2) {
        start(SLOW[turn]);
        turn = turn == 9 ? 0 : turn + 1;
    } else {
        start(ADC_SOLENOID);
    }

    /* `now` is still the slot in which the conversion began. */
    if (late) {
        lost++;
    } else if (taken == ADC_SENSE) {
        took_sense(counts);
    } else if (taken == ADC_SOLENOID) {
        took_solenoid(counts);
    } else if (taken == ADC_GROUND) {
        add(&gathering.ground, counts);
    } else if (taken == ADC_PRESSURE) {
        add(&gathering.pressure, counts);
    } else if (taken == ADC_BATTERY) {
        add(&gathering.battery, counts);
    } else {
        took_probe(counts);
    }

    if (++now.slot == SLOTS_PER_S) {
        now.slot = 0;
        now.s++;
    }
    close_probe();
    close_window();
}

enum next sample_next(struct edge *edge, struct window *window) {
    enum next next = NEXT_NOTHING;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        struct edge *first = &edges[edge_first];
        bool before = first->at.s < ready.at.s || (first->at.s == ready.at.s && first->at.slot <= ready.at.slot);
        if (edge_count && (!is_ready || before)) {
            *edge = *first;
            edge_first = (edge_first + 1) % EDGES;
            edge_count--;
            next = NEXT_EDGE;
        } else if (is_ready) {
            *window = ready;
            is_ready = false;
            next = NEXT_WINDOW;
        }
    }
    return next;
}

bool sample_probe(struct sum *sum, bool *skin) {
    bool is = false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        if (probe_is_ready) {
            *sum = probe_ready;
            *skin = probe_is_skin;
            probe_is_ready = false;
            is = true;
        }
    }
    return is;
}

uint16_t sample_lost(void) {
    uint16_t n;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        n = lost;
    }
    return n;
}
