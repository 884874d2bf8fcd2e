/*
 * A rig for the bench adapter's firmware: runs it on a simulated chip (libsimavr), with its serial line on a
 * pseudo-terminal and a scenario's module, tank and weather on its inputs, in real time.
 *
 *   rig ELF SCENARIO LOG
 *
 * Prints the terminal's name, waits for a line on its standard input, then starts the chip. The scenario's time is the
 * chip's own. LOG gets every byte that the chip sent. The scenario is a text, a change a line: `TIME NAME VALUE` or, for a
 * straight change that takes time, `TIME NAME VALUE SECONDS`; `TIME end 0` ends it.
 *
 * The converter's law (1024 steps of the reference), the probes' law and the wiring are written here again, from the
 * adapter's page and not from its code.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_twi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define HZ 16000000u
/* Registers of the chip's timer 1: control B, and its interrupts. */
#define TCCR1B 0x81
#define TIMSK1 0x6F
#define SUPPLY_V 5.0

/* What a scenario can change. */
static struct quantity {
    const char *name;
    double value;
    /* Of a change under way. */
    double from, since, until;
} quantities[] = {
    {.name = "contact", .value = 0},        /* 1 = closed */
    {.name = "contact_ohm", .value = 0.5},  /* of the closed switch */
    {.name = "bias", .value = 1},           /* somebody pulls the line up */
    {.name = "bias_v", .value = 5},
    {.name = "bias_ohm", .value = 1000},
    {.name = "solenoid", .value = 0},       /* 1 = driven: pull-in, then chopped hold */
    {.name = "ground_ohm", .value = 0.02},  /* of the shared ground */
    {.name = "ground_lead", .value = 1},    /* the adapter's lead to the module's ground is on */
    {.name = "pressure_pa", .value = 0},
    {.name = "battery_v", .value = 12.6},
    {.name = "baro_pa", .value = 101325},
    {.name = "baro_answers", .value = 1},
    {.name = "air_c", .value = 20},
    {.name = "skin_c", .value = 20},
    {.name = "skin_fitted", .value = 1},
    {.name = "key", .value = 0},
    {.name = "key_fitted", .value = 0},     /* the jumper of the key lead */
    {.name = "hang", .value = 0},           /* the chip's timer is taken away: only its watchdog can help */
};
#define COUNT (sizeof quantities / sizeof quantities[0])

struct change {
    double at, to, takes;
    struct quantity *what; /* none at the end */
};
static struct change changes[4096];
static size_t change_count, change_next;

static avr_t *avr;
static avr_irq_t *twi_in, *adc_pins;
static int terminal;
static FILE *sent;
static double solenoid_since = -1;
static avr_cycle_count_t begun_at; /* when the chip's own clock began */

static void die(const char *what) {
    fprintf(stderr, "rig: %s: %s\n", what, errno ? strerror(errno) : "not as expected");
    exit(1);
}

static struct quantity *find(const char *name) {
    for (size_t i = 0; i < COUNT; i++) {
        if (!strcmp(quantities[i].name, name)) {
            return &quantities[i];
        }
    }
    fprintf(stderr, "rig: the scenario names \"%s\", which this rig does not have\n", name);
    exit(1);
}

static double now(void) {
    return (double)(avr->cycle - begun_at) / HZ;
}

/* A clock is given to timer 1: the chip's time begins here, after it has set itself up. */
static void on_timer(struct avr_irq_t *irq, uint32_t value, void *unused) {
    (void)irq, (void)unused;
    if (!begun_at && value & 7) {
        begun_at = avr->cycle;
    }
}

static double get(const char *name) {
    struct quantity *q = find(name);
    double t = now();
    if (t < q->until) {
        return q->from + (q->value - q->from) * (t - q->since) / (q->until - q->since);
    }
    return q->value;
}

/* The key lead and its jumper, held against the chip's own pull-ups. */
static void set_pins(void) {
    int key = get("key") > 0.5, open = get("key_fitted") < 0.5;
    avr_ioport_external_t held = {.name = 'D', .mask = 1 << 3 | 1 << 4, .value = (unsigned)(key << 3 | open << 4)};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &held);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3), (uint32_t)key);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 4), (uint32_t)open);
}

/* Brings the scenario up to the chip's time; false at its end. */
static int advance(void) {
    for (; change_next < change_count && changes[change_next].at <= now(); change_next++) {
        struct change *c = &changes[change_next];
        if (!c->what) {
            return 0;
        }
        c->what->from = get(c->what->name);
        c->what->since = c->at;
        c->what->until = c->at + c->takes;
        c->what->value = c->to;
        if (!strcmp(c->what->name, "solenoid")) {
            solenoid_since = c->to > 0.5 ? c->at : -1;
        }
        if (!strcmp(c->what->name, "hang")) {
            avr->data[TIMSK1] = 0;
        }
        set_pins();
    }
    return 1;
}

/* Feed current, A: a pull-in of 1.5 A that rises with 10 ms, after 80 ms pulses of 0.75 A, a fifth of 2.7 ms. */
static double solenoid_a(void) {
    if (solenoid_since < 0) {
        return 0;
    }
    double t = now() - solenoid_since;
    return t < 0.08 ? 1.5 * (1 - exp(-t / 0.01)) : fmod(t - 0.08, 0.0027) < 0.00054 ? 0.75 : 0;
}

static int driven_high(int pin) {
    avr_ioport_state_t state = {0};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_GETSTATE('D'), &state);
    return (state.ddr >> pin & 1) && (state.port >> pin & 1);
}

/* The sense line by its conductances: contact to the module's ground, somebody's pull-up, our own, and our tap. */
static double sense_line_v(void) {
    double ground = solenoid_a() * get("ground_ohm");
    double g = 1 / 1.47e6, current = 0;
    if (get("contact") > 0.5) {
        g += 1 / get("contact_ohm");
        current += ground / get("contact_ohm");
    }
    if (get("bias") > 0.5) {
        g += 1 / get("bias_ohm");
        current += get("bias_v") / get("bias_ohm");
    }
    double v = current / g;
    if (driven_high(2) && v < SUPPLY_V - 0.5) {
        v = (current + (SUPPLY_V - 0.5) / 1e6) / (g + 1 / 1e6);
    }
    return v;
}

static double probe_v(void) {
    double g = 0;
    if (driven_high(5)) {
        g += 1 / (10e3 * exp(3950 * (1 / (get("air_c") + 273.15) - 1 / 298.15)));
    }
    if (driven_high(6) && get("skin_fitted") > 0.5) {
        g += 1 / (10e3 * exp(3950 * (1 / (get("skin_c") + 273.15) - 1 / 298.15)));
    }
    return SUPPLY_V * g / (g + 1 / 10e3);
}

static double input_v(int pin) {
    double ground = solenoid_a() * get("ground_ohm");
    switch (pin) {
    case 0:
        return sense_line_v() * 470 / 1470;
    case 1:
        return 2.5 + 0.8 * solenoid_a();
    case 2:
        return get("ground_lead") > 0.5 ? (ground * 100 + SUPPLY_V * 10) / 110 : SUPPLY_V;
    case 3:
        return get("battery_v") * 200 / 1200;
    case 6:
        return 2.5 + get("pressure_pa") / 1250;
    case 7:
        return probe_v();
    default:
        return 0;
    }
}

/* Noise of the inputs, as a triangle of two steps to either side, from a generator of fixed seed (xorshift). */
static double noise(void) {
    static uint32_t x = 20240229;
    double sum = 0;
    for (int i = 0; i < 2; i++) {
        x ^= x << 13, x ^= x >> 17, x ^= x << 5;
        sum += x / 4294967296.0;
    }
    return sum - 1;
}

static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *unused) {
    (void)irq, (void)unused;
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } e = {.v = value};
    advance();
    double steps = floor(input_v(e.mux.src) / SUPPLY_V * 1024 + noise());
    steps = fmin(fmax(steps, 0), 1023);
    /* The simulator takes whole millivolts and counts 1023 steps: the least that it reads as these steps. */
    avr_raise_irq(adc_pins + e.mux.src, (uint32_t)ceil(steps * SUPPLY_V * 1000 / 1023));
}

static void on_sent(struct avr_irq_t *irq, uint32_t value, void *unused) {
    (void)irq, (void)unused;
    unsigned char byte = (unsigned char)value;
    fputc(byte, sent);
    /* Like a line without flow control: what nobody reads is lost. */
    if (write(terminal, &byte, 1) < 0 && errno != EAGAIN && errno != EIO) {
        die("cannot write to the terminal");
    }
}

/* A barometer at 5D: 4096 counts a hectopascal in three registers from 28, lowest first; A8 reads them in a row. It
 * measures only once it was set up. */
static void on_bus(struct avr_irq_t *irq, uint32_t value, void *unused) {
    (void)irq, (void)unused;
    static int selected, first, reg, is_set_up, given;
    avr_twi_msg_irq_t in = {.u.v = value};
    unsigned address = in.u.twi.addr;
    if (in.u.twi.msg & TWI_COND_STOP) {
        selected = 0;
    }
    if (in.u.twi.msg & TWI_COND_START) {
        selected = (address >> 1) == 0x5D && get("baro_answers") > 0.5;
        first = 1;
        given = 0;
        if (selected) {
            avr_raise_irq(twi_in, avr_twi_irq_msg(TWI_COND_ACK, address, 1));
        }
    }
    if (!selected) {
        return;
    }
    if (in.u.twi.msg & TWI_COND_WRITE) {
        avr_raise_irq(twi_in, avr_twi_irq_msg(TWI_COND_ACK, address, 1));
        if (first) {
            reg = in.u.twi.data;
        } else if (reg == 0x20 && in.u.twi.data == 0x90) {
            is_set_up = 1;
        }
        first = 0;
    }
    if (in.u.twi.msg & TWI_COND_READ) {
        uint32_t counts = is_set_up ? (uint32_t)lround(get("baro_pa") * 40.96) : 0;
        int byte = reg == 0xA8 ? given++ : 3;
        avr_raise_irq(twi_in, avr_twi_irq_msg(TWI_COND_READ, address, byte < 3 ? counts >> 8 * byte & 255 : 0));
    }
}

/* The chip may be run ahead through its sleep; `pace` holds it to real time. */
static void do_not_sleep(avr_t *unused, avr_cycle_count_t cycles) {
    (void)unused, (void)cycles;
}

static double real_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void read_scenario(const char *path) {
    FILE *f = fopen(path, "r");
    if (!f) {
        die(path);
    }
    char line[200], name[40];
    while (fgets(line, sizeof line, f)) {
        struct change c = {0};
        if (line[0] == '#' || line[0] == '\n') {
            continue;
        }
        if (sscanf(line, "%lf %39s %lf %lf", &c.at, name, &c.to, &c.takes) < 3 || change_count == 4096) {
            errno = 0;
            die(line);
        }
        c.what = strcmp(name, "end") ? find(name) : NULL;
        changes[change_count++] = c;
    }
    fclose(f);
}

int main(int argc, char **argv) {
    if (argc != 4) {
        fprintf(stderr, "rig ELF SCENARIO LOG\n");
        return 2;
    }
    read_scenario(argv[2]);
    if (!(sent = fopen(argv[3], "wb"))) {
        die(argv[3]);
    }
    elf_firmware_t firmware = {0};
    if (elf_read_firmware(argv[1], &firmware)) {
        die(argv[1]);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr)) {
        die("no such chip");
    }
    avr_load_firmware(avr, &firmware);
    avr->frequency = HZ;
    avr->vcc = avr->avcc = avr->aref = (uint32_t)(SUPPLY_V * 1000);
    avr->sleep = do_not_sleep;
    avr->log = LOG_ERROR;

    /* Or the simulator looks at two pins in each cycle, for interrupts by level that nobody has enabled. */
    avr_extint_set_strict_lvl_trig(avr, 0, 0);
    avr_extint_set_strict_lvl_trig(avr, 1, 0);

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_t *serial_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    adc_pins = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, NULL);
    twi_in = avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT), on_bus, NULL);

    avr_irq_register_notify(avr_iomem_getirq(avr, TCCR1B, NULL, AVR_IOMEM_IRQ_ALL), on_timer, NULL);

    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal)) {
        die("no pseudo-terminal");
    }
    /* No echo and no editing from the first byte on. The other side stays open here, so that it is never hung up. */
    int held = open(ptsname(terminal), O_RDWR | O_NOCTTY);
    struct termios raw;
    if (held < 0 || tcgetattr(held, &raw)) {
        die("no pseudo-terminal");
    }
    cfmakeraw(&raw);
    tcsetattr(held, TCSANOW, &raw);
    printf("%s\n", ptsname(terminal));
    fflush(stdout);
    if (getchar() == EOF) {
        return 1;
    }

    set_pins();
    double begun = real_s(), latest = 0;
    avr_cycle_count_t next = 0;
    while (advance()) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            errno = 0;
            die("the chip crashed");
        }
        if (avr->cycle < next) {
            continue;
        }
        next += HZ / 1000;
        unsigned char byte;
        /* One byte a millisecond, well within the line's pace. */
        if (read(terminal, &byte, 1) == 1) {
            avr_raise_irq(serial_in, byte);
        }
        double ahead = now() - (real_s() - begun);
        if (ahead > 0.002) {
            usleep((useconds_t)(ahead * 1e6));
        }
        latest = fmax(latest, -ahead);
    }
    fclose(sent);
    fprintf(stderr, "rig: %.1f s in %.1f s, at most %.0f ms late, %.1f s of processor\n", now(), real_s() - begun,
            latest * 1e3, (double)clock() / CLOCKS_PER_SEC);
    return 0;
}
