/* The serial line: rings and interrupts. Nothing here waits. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

void serial_begin(void);

/* Takes all of it or, where it finds no room, nothing. */
bool serial_put(const char *bytes, uint8_t length);

/* As above, from program memory. */
bool serial_put_P(const char *bytes, uint8_t length);

/* True once for each time that the host asked for the header. */
bool serial_asked(void);
