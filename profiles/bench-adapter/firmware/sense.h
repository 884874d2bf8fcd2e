/* The sense line: open, closed, or biased by nobody. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

enum word { WORD_UNKNOWN, WORD_OPEN, WORD_CLOSED, WORD_NO_BIAS };

struct sense {
    uint8_t word; /* enum word */
    uint8_t step;
    uint8_t low; /* tests in a row in which the line stayed low */
    int16_t left; /* samples to go in this step */
};

void sense_begin(struct sense *s);

/* Takes a sample (converter counts), each 0.5 ms. True if the word changed with it. Switches the weak pull-up. */
bool sense_step(struct sense *s, uint16_t counts);

/* The next sample will be the line's own, not one that a test lifts or lets go. */
bool sense_is_own(const struct sense *s);
