/*
 * The only page to change when parts differ. These are the nominal values of the wiring in ../README.md. The two
 * points of one adapter, taken against instruments, belong into the profile and so into every session.
 *
 * A linear channel is given by what it reads at the bottom (0 V) and at the top (5 V, the converter's reference) of
 * its input. Top minus bottom must stay within +-131000, or the 32-bit arithmetic overflows.
 */
#pragma once

/* Sense line, mV: divider of 1 Mohm over 470 kohm. */
#define SENSE_BOTTOM 0L
#define SENSE_TOP 15638L

/* Solenoid feed, mA: hall sensor, 2.5 V at rest, 0.8 V per ampere (0.4 V/A with two turns through it). */
#define SOLENOID_BOTTOM (-3125L)
#define SOLENOID_TOP 3125L

/* Module ground against battery negative, mV: 10 kohm in series, 100 kohm up to 5 V. */
#define GROUND_BOTTOM (-500L)
#define GROUND_TOP 5000L

/* Battery, mV: divider of 1 Mohm over 200 kohm. */
#define BATTERY_BOTTOM 0L
#define BATTERY_TOP 30000L

/* Gauge pressure, 0.1 Pa: ratiometric transducer, 0.5 V at -2500 Pa, 4.5 V at +2500 Pa. */
#define PRESSURE_BOTTOM (-31250L)
#define PRESSURE_TOP 31250L

/* Levels of the sense line, mV; those of the profile's [sense]. The own pull-up alone lifts a line that nobody
 * biases to about 2680 mV (4.5 V through 1 Mohm over 1.47 Mohm), which must lie between the first two. */
#define SENSE_CLOSED_BELOW 1500L
#define SENSE_OPEN_ABOVE 3000L
#define SENSE_DEAD_BELOW 300L

/* Current above which a sample counts as on, for the duty, mA. */
#define SOLENOID_ON_ABOVE 50L

/* Barometer: any part on the two-wire bus that gives compensated pressure as one number in successive registers.
 * Take these from its data sheet. */
#define BARO_ADDRESS 0x5D       /* seven bits */
#define BARO_SETUP_REGISTER 0x20 /* written once, to let it measure by itself */
#define BARO_SETUP_VALUE 0x90
#define BARO_DATA_REGISTER 0xA8 /* lowest byte; with the flag for successive reads where one is needed */
#define BARO_LOW_BYTE_FIRST 1   /* three bytes */
#define BARO_COUNTS_PER_1000PA 40960UL

/* Probes: 10 kohm at 25 degC over 10 kohm. The table in probe.c is for B = 3950 K. */
