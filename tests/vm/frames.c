/* Puts CAN frames on an interface, straight through the kernel's socket: shares nothing with the program under test.
 *   frames paced IFACE N RATE   N frames of 8 bytes, numbered, RATE a second (0: as fast as they go)
 *   frames spaced IFACE N RATE  the same, never closer than that: what was late stays late
 *   frames kinds IFACE          one of each kind there is; each is also written to standard output
 *   frames nobody PROGRAM …     not frames: runs a program without privileges
 */
#include <errno.h>
#include <linux/can.h>
#include <linux/can/error.h>
#include <linux/can/raw.h>
#include <net/if.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static int fd;

static void die(const char *what) {
    perror(what);
    exit(1);
}

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static void put(const void *frame, size_t size) {
    while (write(fd, frame, size) != (ssize_t)size) {
        /* The interface's queue is full. */
        if (errno != ENOBUFS && errno != EAGAIN) die("write");
        usleep(500);
    }
}

/* Numbers the frame: odd ones have 29-bit identifiers, even ones 11 bits. */
static void numbered(unsigned n) {
    struct can_frame f = {.can_id = n & 1 ? CAN_EFF_FLAG | 0x18FEF100 : 0x100, .can_dlc = 8};
    for (int i = 0; i < 4; i++) f.data[i] = n >> (24 - 8 * i), f.data[4 + i] = 0xA5;
    put(&f, sizeof f);
}

static void paced(unsigned count, double rate, int spaced) {
    double begun = now(), last = begun;
    for (unsigned n = 0; n < count; n++) {
        double ahead = rate > 0 ? (spaced ? last + 1 / rate : begun + n / rate) - now() : 0;
        if (ahead > 0.001) {
            struct timespec t = {0, ahead * 1e9};
            nanosleep(&t, NULL);
        }
        numbered(n);
        last = now();
    }
    printf("%u frames in %.2f s\n", count, now() - begun);
}

static void show(canid_t id, unsigned len, unsigned flags, const unsigned char *data, unsigned bytes) {
    printf("%08X %u %u ", id, len, flags);
    for (unsigned i = 0; i < bytes; i++) printf("%02X", data[i]);
    printf("\n");
}

static void classic(canid_t id, unsigned len, const unsigned char *data) {
    struct can_frame f = {.can_id = id, .can_dlc = len};
    if (data) memcpy(f.data, data, len);
    put(&f, sizeof f);
    show(id, len, 0, f.data, id & CAN_RTR_FLAG ? 0 : len);
}

static void kinds(void) {
    unsigned char data[64];
    static const unsigned lengths[] = {0, 1, 7, 8, 12, 16, 20, 24, 32, 48, 64};
    for (int i = 0; i < 64; i++) data[i] = 3 * i + 1;
    for (unsigned len = 0; len <= 8; len++) classic(0x7E8, len, data), classic(CAN_EFF_FLAG | 0x18DAF110, len, data);
    classic(CAN_RTR_FLAG | 0x123, 5, NULL);
    for (unsigned i = 0; i < sizeof lengths / sizeof *lengths; i++)
        for (int flags = 0; flags <= CANFD_BRS; flags += CANFD_BRS) {
            struct canfd_frame f = {.can_id = i & 1 ? CAN_EFF_FLAG | 0x1ABCDEF0 : 0x321, .len = lengths[i], .flags = flags};
            memcpy(f.data, data, f.len);
            put(&f, sizeof f);
            /* Bit 2 marks CAN FD in the registered layout. */
            show(f.can_id, f.len, flags | 4, f.data, f.len);
        }
    unsigned char controller[8] = {0, CAN_ERR_CRTL_TX_PASSIVE, 0, 0, 0, 0, 128, 0};
    unsigned char none[8] = {0};
    classic(CAN_ERR_FLAG | CAN_ERR_CRTL, 8, controller);
    classic(CAN_ERR_FLAG | CAN_ERR_BUSOFF, 8, none);
    classic(CAN_ERR_FLAG | CAN_ERR_RESTARTED, 8, none);
    classic(CAN_ERR_FLAG | CAN_ERR_ACK, 8, none);
}

int main(int argc, char **argv) {
    int on = 1;
    struct sockaddr_can to = {.can_family = AF_CAN};
    if (argc < 3) return 2;
    if (!strcmp(argv[1], "nobody")) {
        if (setgid(65534) || setuid(65534)) die("nobody");
        execvp(argv[2], argv + 2);
        die(argv[2]);
    }
    if ((fd = socket(PF_CAN, SOCK_RAW, CAN_RAW)) < 0) die("socket");
    if (setsockopt(fd, SOL_CAN_RAW, CAN_RAW_FD_FRAMES, &on, sizeof on)) die("CAN FD");
    if (!(to.can_ifindex = if_nametoindex(argv[2]))) die(argv[2]);
    if (bind(fd, (struct sockaddr *)&to, sizeof to)) die("bind");
    if ((!strcmp(argv[1], "paced") || !strcmp(argv[1], "spaced")) && argc == 5)
        paced(atoi(argv[3]), atof(argv[4]), *argv[1] == 's');
    else if (!strcmp(argv[1], "kinds"))
        kinds();
    else
        return 2;
    return 0;
}
