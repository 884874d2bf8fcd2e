/*
 * Three states out of one voltage, by a weak pull-up of our own (1 Mohm, far weaker than a contact or a controller):
 *   below the closed level   something holds the line to ground: closed
 *   above the open level     somebody else lifts it: open
 *   between                  our pull-up alone lifts it: nobody biases it; or a contact with much resistance
 * The last two are told apart by letting go: without our pull-up a line that nobody biases falls to nothing.
 * Because the pull-up is on while the bias is there, a bias that goes away never passes for a contact that closes,
 * unless the controller itself pulls its line down; that cannot be told from a contact.
 */
#include "sense.h"

#include "board.h"
#include "calibration.h"

#define COUNTS(mv) ((uint16_t)(((mv)-SENSE_BOTTOM) * 1024L / (SENSE_TOP - SENSE_BOTTOM)))
#define CLOSED COUNTS(SENSE_CLOSED_BELOW)
#define OPEN COUNTS(SENSE_OPEN_ABOVE)
#define DEAD COUNTS(SENSE_DEAD_BELOW)

/* Samples of 0.5 ms. */
#define BETWEEN 100   /* so long between the levels before we let go */
#define SETTLE 16     /* the line's own capacitance of 1 nF settles in 5 ms */
#define PAUSE 2000    /* between two tests */
#define LOW_TESTS 2   /* so often low under our pull-up before a line without bias is called closed */

enum step { PULLED, LET_GO, FLOATING, TEST };

static inline void pull(bool on) {
    if (on) {
        DDRD |= _BV(PULLUP_PIN);
        PORTD |= _BV(PULLUP_PIN);
    } else {
        PORTD &= (uint8_t)~_BV(PULLUP_PIN);
        DDRD &= (uint8_t)~_BV(PULLUP_PIN);
    }
}

static void enter(struct sense *s, enum step step, int16_t left) {
    s->step = step;
    s->left = left;
    pull(step == PULLED || step == TEST);
}

void sense_begin(struct sense *s) {
    s->word = WORD_UNKNOWN;
    s->low = 0;
    enter(s, PULLED, BETWEEN);
}

static bool say(struct sense *s, enum word word) {
    bool new = s->word != word;
    s->word = word;
    return new;
}

bool sense_step(struct sense *s, uint16_t counts) {
    if (counts >= OPEN) {
        if (s->step != PULLED || s->left < BETWEEN) {
            enter(s, PULLED, BETWEEN);
        }
        s->low = 0;
        return say(s, WORD_OPEN);
    }
    switch (s->step) {
    case PULLED:
        if (counts <= CLOSED) {
            s->left = BETWEEN;
            return say(s, WORD_CLOSED);
        }
        if (--s->left <= 0) {
            enter(s, LET_GO, SETTLE);
        }
        return false;
    case LET_GO:
        if (--s->left > 0) {
            return false;
        }
        if (counts <= DEAD) {
            enter(s, FLOATING, PAUSE);
            s->low = 0;
            return say(s, WORD_NO_BIAS);
        }
        enter(s, PULLED, PAUSE);
        return false;
    case FLOATING:
        if (--s->left <= 0) {
            enter(s, TEST, SETTLE);
        }
        return false;
    default:
        if (--s->left > 0) {
            return false;
        }
        if (counts <= CLOSED && ++s->low >= LOW_TESTS) {
            enter(s, PULLED, BETWEEN);
            return say(s, WORD_CLOSED);
        }
        if (counts > CLOSED) {
            s->low = 0;
        }
        enter(s, FLOATING, PAUSE);
        return false;
    }
}

bool sense_is_own(const struct sense *s) {
    return s->step == PULLED || (s->step == FLOATING && s->left <= PAUSE - SETTLE);
}
