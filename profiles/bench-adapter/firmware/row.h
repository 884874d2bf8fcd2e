/* Lines of the protocol: a header, full rows, rows of changes, rows of edges; each row with its check. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "sample.h"

/* Both false if the line found no room. */
bool row_header(void);
bool row_edge(const struct edge *edge);

/* `lost` is told in full rows. */
bool row_window(const struct window *window, bool full, uint16_t lost);

/* Values that come once a second, for the rows to come. */
void row_set_baro(bool known, uint32_t pa);
void row_set_probe(bool skin, int16_t tenths);
