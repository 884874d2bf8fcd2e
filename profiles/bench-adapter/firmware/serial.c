#include "serial.h"

#include <avr/interrupt.h>
#include <avr/pgmspace.h>
#include <util/atomic.h>

#include "board.h"

#define RING 512 /* a power of two; 44 ms of the line */

static char ring[RING];
static volatile uint16_t head, tail; /* next free, next to send */
static volatile uint8_t asked;
static bool question;

void serial_begin(void) {
    UBRR0 = (uint16_t)((F_CPU + BAUD * 4) / (BAUD * 8) - 1);
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

static bool put(const char *bytes, uint8_t length, bool flash) {
    uint16_t from, used;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        from = head;
        used = (head - tail) & (RING - 1);
    }
    if (length > RING - 1 - used) {
        return false;
    }
    for (uint8_t i = 0; i < length; i++) {
        ring[(from + i) & (RING - 1)] = flash ? (char)pgm_read_byte(bytes + i) : bytes[i];
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        head = (from + length) & (RING - 1);
    }
    UCSR0B |= _BV(UDRIE0);
    return true;
}

bool serial_put(const char *bytes, uint8_t length) {
    return put(bytes, length, false);
}

bool serial_put_P(const char *bytes, uint8_t length) {
    return put(bytes, length, true);
}

bool serial_asked(void) {
    bool was = false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        if (asked) {
            asked--;
            was = true;
        }
    }
    return was;
}

ISR(USART_UDRE_vect) {
    if (tail == head) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    } else {
        UDR0 = ring[tail];
        tail = (tail + 1) & (RING - 1);
    }
}

ISR(USART_RX_vect) {
    bool damaged = UCSR0A & (_BV(FE0) | _BV(DOR0));
    char c = UDR0;
    if (c == '\n' && question && asked < 4) {
        asked++;
    }
    question = !damaged && (c == '?' || (c == '\r' && question));
}
