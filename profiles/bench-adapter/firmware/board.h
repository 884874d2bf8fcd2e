/* What hangs on which pin, and how fast it is read. The page ../README.md shows the wiring. */
#pragma once

#include <avr/io.h>
#include <stdint.h>

#ifndef F_CPU
#define F_CPU 16000000UL
#endif

#define BAUD 115200UL

/* Port D: 0 and 1 are the serial line. */
#define PULLUP_PIN PD2    /* through a diode and 1 Mohm to the sense line: the adapter's own weak pull-up */
#define KEY_PIN PD3       /* ignition feed, divided: high = key on */
#define KEY_FITTED_PIN PD4 /* jumper to 0 V: the key lead is fitted, so that its low means something */
#define AIR_PIN PD5       /* feeds the air probe while it is read */
#define SKIN_PIN PD6      /* feeds the tank skin probe while it is read */
#define LIFE_PIN PB5      /* lamp, turned over once a second */

/* Analogue inputs; 4 and 5 are the two wires of the barometer. */
#define ADC_SENSE 0
#define ADC_SOLENOID 1
#define ADC_GROUND 2
#define ADC_BATTERY 3
#define ADC_PRESSURE 6
#define ADC_PROBE 7

/* One conversion a slot of 125 us; it takes 112 us at most. */
#define SLOTS_PER_S 8000U
#define SLOT_US 125U
/* One row each 20 ms. */
#define SLOTS_PER_ROW 160U
