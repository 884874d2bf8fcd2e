/* Temperature probes: converter counts to tenths of a degree. */
#pragma once

#include <stdint.h>

#define PROBE_NONE INT16_MIN /* open, shorted, or not fitted */

/* `counts16`: sixteen times the mean count. Returns 0.1 degC within -40 to 90, else PROBE_NONE. */
int16_t probe_tenths(uint16_t counts16);
