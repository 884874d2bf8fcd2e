/* The barometer on the two-wire bus. Nothing here waits. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

void baro_begin(void);

/* Once a second: the pressure that was read since the last call, Pa, and begins the next reading. False if the part
 * did not answer, or not soundly. */
bool baro_turn(uint32_t *pa);
