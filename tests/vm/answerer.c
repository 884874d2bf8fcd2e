/* Two controllers of a vehicle on the kernel's own ISO 15765-2 (can-isotp): an independent peer of the program's.
 *   answerer IFACE UNTIL... [slow]  key on first, then off and on at these seconds in turn, ends at the last; with
 *                                   "slow" a pause of 5 ms between the frames of its answers
 *   answerer ask IFACE BLOCK PAUSE  the other way round: a tester that asks a controller for its VIN and takes the answer
 *                                   in such blocks, with such a pause (hexadecimal, as ISO 15765-2 codes them)
 * With the key on it answers SAE J1979 (numbers from memory of it) and sends frames by itself; with the key off the
 * network falls silent after 3 s. Everything that testers send is written to standard output with the time since the
 * start: "T ID DATA".
 */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/isotp.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static struct sockaddr_can place = {.can_family = AF_CAN};
static int slow;
static double begun;

static void die(const char *what) {
    perror(what);
    exit(1);
}

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9 - begun;
}

/* One side of a conversation: hears RX, speaks by TX, wants such blocks and pauses of who sends it something long. */
static int side(canid_t rx, canid_t tx, unsigned char block, unsigned char pause) {
    int s = socket(PF_CAN, SOCK_DGRAM, CAN_ISOTP);
    if (s < 0) die("can-isotp");
    struct can_isotp_options options = {.flags = CAN_ISOTP_TX_PADDING, .txpad_content = 0xAA};
    struct can_isotp_fc_options flow = {.bs = block, .stmin = pause};
    unsigned pause_ns = 5000000;
    if (slow) options.flags |= CAN_ISOTP_FORCE_TXSTMIN;
    if (setsockopt(s, SOL_CAN_ISOTP, CAN_ISOTP_OPTS, &options, sizeof options)) die("options");
    if (setsockopt(s, SOL_CAN_ISOTP, CAN_ISOTP_RECV_FC, &flow, sizeof flow)) die("flow control");
    if (slow && setsockopt(s, SOL_CAN_ISOTP, CAN_ISOTP_TX_STMIN, &pause_ns, sizeof pause_ns)) die("pause");
    struct sockaddr_can at = place;
    at.can_addr.tp.rx_id = rx, at.can_addr.tp.tx_id = tx;
    if (bind(s, (struct sockaddr *)&at, sizeof at)) die("bind can-isotp");
    return s;
}

static int raw(void) {
    int s = socket(PF_CAN, SOCK_RAW, CAN_RAW);
    if (s < 0 || bind(s, (struct sockaddr *)&place, sizeof place)) die("raw");
    return s;
}

/* The engine has these PIDs, the gearbox 46 alone. */
static const struct pid { unsigned char pid, len, data[4]; } engine[] = {
    {0x00, 4, {0x08, 0x3A, 0x00, 0x03}}, {0x05, 1, {130}}, {0x0B, 1, {35}},     {0x0C, 2, {0x0C, 0x80}},
    {0x0D, 1, {50}},                     {0x0F, 1, {60}},  {0x20, 4, {0, 2, 0x20, 1}}, {0x2F, 1, {128}},
    {0x33, 1, {101}},                    {0x40, 4, {0x40, 0, 0, 0}},            {0x42, 2, {0x37, 0x14}},
    {0x1F, 2, {1, 0}},
}, gearbox[] = {{0x00, 4, {0, 0, 0, 1}}, {0x20, 4, {0, 0, 0, 1}}, {0x40, 4, {4, 0, 0, 0}}, {0x46, 1, {61}}};

static int pid(unsigned char *out, const struct pid *all, unsigned n, unsigned char wanted) {
    for (unsigned i = 0; i < n; i++)
        if (all[i].pid == wanted) {
            out[0] = wanted;
            memcpy(out + 1, all[i].data, all[i].len);
            return 1 + all[i].len;
        }
    return 0;
}

static void answer(int s, const unsigned char *q, int len, int is_engine) {
    unsigned char out[64] = {q[0] | 0x40, q[1]};
    int n = 0;
    if (q[0] == 1) {
        int at = 1;
        for (int i = 1; i < len; i++)
            at += is_engine ? pid(out + at, engine, sizeof engine / sizeof *engine, q[i])
                            : pid(out + at, gearbox, sizeof gearbox / sizeof *gearbox, q[i]);
        n = at > 1 ? at : 0;
    } else if (!is_engine) {
        return;
    } else if (q[0] == 9 && q[1] == 0) {
        out[2] = 0x40, n = 6;
    } else if (q[0] == 9 && q[1] == 2) {
        out[2] = 1, memcpy(out + 3, "HARBOURLANEVAN007", 17), n = 20;
    } else if (q[0] == 3) {
        /* Eight codes, to make it long. */
        out[1] = 8, n = 18;
        for (int i = 0; i < 8; i++) out[2 + 2 * i] = 0x04, out[3 + 2 * i] = 0x40 + i;
    } else if (q[0] == 7 || q[0] == 0x0A) {
        out[1] = 0, n = 2;
    }
    if (n && write(s, out, n) != n) perror("answer");
}

/* Asks for the VIN (SAE J1979 service 09, InfoType 02); prints how long it took and what came. */
static void ask(const char *block, const char *pause) {
    int s = side(0x7E8, 0x7E0, strtol(block, NULL, 16), strtol(pause, NULL, 16));
    struct timeval most = {3, 0};
    setsockopt(s, SOL_SOCKET, SO_RCVTIMEO, &most, sizeof most);
    unsigned char got[4096];
    double at = now();
    if (write(s, "\x09\x02", 2) != 2) die("ask");
    int n = read(s, got, sizeof got);
    printf("ask %s %s: %.3f s", block, pause, now() - at);
    for (int i = 0; i < n; i++) printf(" %02X", got[i]);
    printf("\n");
}

int main(int argc, char **argv) {
    if (argc < 3) return 2;
    if (!strcmp(argv[1], "ask") && argc == 5) {
        if (!(place.can_ifindex = if_nametoindex(argv[2]))) die(argv[2]);
        ask(argv[3], argv[4]);
        return 0;
    }
    slow = !strcmp(argv[argc - 1], "slow");
    int last = argc - 1 - slow, turn = 2, key = 1;
    if (!(place.can_ifindex = if_nametoindex(argv[1]))) die(argv[1]);
    int to_engine = side(0x7E0, 0x7E8, 3, 0xF3), to_gearbox = side(0x7E1, 0x7E9, 3, 0xF3), bus = raw();
    begun = now();
    double next = 0, off = 0;
    for (;;) {
        if (now() >= atof(argv[turn])) {
            if (turn == last) break;
            key = !key, off = now(), turn++;
            printf("%.3f key %s\n", off, key ? "on" : "off");
        }
        if (now() >= next) {
            next = now() + 0.05;
            struct can_frame engine_speed = {.can_id = 0x0C0, .can_dlc = 8}, network = {.can_id = 0x300, .can_dlc = 8};
            if (key && write(bus, &engine_speed, sizeof engine_speed) < 0 && errno != ENOBUFS) die("send");
            if ((key || now() < off + 3) && write(bus, &network, sizeof network) < 0 && errno != ENOBUFS) die("send");
        }
        struct pollfd all[] = {{to_engine, POLLIN, 0}, {to_gearbox, POLLIN, 0}, {bus, POLLIN, 0}};
        poll(all, 3, 5);
        for (int i = 0; i < 2; i++)
            if (all[i].revents & POLLIN) {
                unsigned char q[64] = {0};
                int n = read(all[i].fd, q, sizeof q);
                if (n > 0 && key) answer(all[i].fd, q, n, i == 0);
            }
        struct can_frame f;
        while (recv(bus, &f, sizeof f, MSG_DONTWAIT) == sizeof f) {
            canid_t id = f.can_id & CAN_EFF_MASK;
            if (id != 0x7DF && (id & ~7u) != 0x7E0 && id != 0x18DB33F1) continue;
            printf("%.3f %03X", now(), id);
            for (int i = 0; i < f.can_dlc; i++) printf(" %02X", f.data[i]);
            printf("\n");
            if (f.can_id == 0x7DF && key && f.data[0] < 8)
                answer(to_engine, f.data + 1, f.data[0], 1), answer(to_gearbox, f.data + 1, f.data[0], 0);
        }
    }
    return 0;
}
