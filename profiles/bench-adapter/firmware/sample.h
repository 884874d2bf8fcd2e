/* The clock and the converter: what happens 8000 times a second. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

/* Since the start: whole seconds and slots of 125 us. Wraps after 136 years. */
struct moment {
    uint32_t s;
    uint16_t slot;
};

/* Samples added up. */
struct sum {
    uint32_t total;
    uint16_t count;
};

/* The word of the sense line changed. */
struct edge {
    struct moment at;
    uint16_t counts;
    uint8_t word;
};

/* What was sampled since the last row. */
struct window {
    struct moment at;
    struct sum sense, solenoid, ground, battery, pressure;
    uint16_t solenoid_peak;
    uint16_t solenoid_on; /* samples above the level */
    uint8_t word;
};

void sample_begin(void);

enum next { NEXT_NOTHING, NEXT_EDGE, NEXT_WINDOW };

/* The oldest thing that was not yet told: edges and windows in the order of their times. */
enum next sample_next(struct edge *edge, struct window *window);

/* Sum of the probe that was read last and which one it was; true once for each. */
bool sample_probe(struct sum *sum, bool *skin);

/* Windows and edges that found no room, and conversions that were not ready, so far. */
uint16_t sample_lost(void);
