/* The yardstick of the reflector bench: a plain STAMP reflector (RFC 8762, unauthenticated, stateful by one count)
 * with kernel receive stamps, one recvmsg and one sendto a packet.   reflector PORT
 * And what floods it:   reflector flood PORT SECONDS   prints packets answered.  */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <linux/net_tstamp.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define EPOCH 2208988800ull
#define BATCH 64

static uint64_t ntp(const struct timespec *t) {
    uint64_t fraction = ((uint64_t)t->tv_nsec << 32) / 1000000000ull;
    return htobe64((((uint64_t)t->tv_sec + EPOCH) << 32) | fraction);
}

static int reflect(struct sockaddr_in *at) {
    int fd = socket(AF_INET, SOCK_DGRAM, 0);
    int flags = SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE, on = 1;
    if (setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPING, &flags, sizeof flags)) return 1;
    setsockopt(fd, IPPROTO_IP, IP_RECVTTL, &on, sizeof on);
    if (bind(fd, (struct sockaddr *)at, sizeof *at)) return 1;
    uint8_t in[2048], out[2048], control[256];
    uint32_t count = 0;
    struct sockaddr_in from;
    struct iovec v = {in, sizeof in};
    puts("ready");
    fflush(stdout);
    for (;;) {
        struct msghdr m = {&from, sizeof from, &v, 1, control, sizeof control, 0};
        ssize_t n = recvmsg(fd, &m, 0);
        if (n < 44) continue;
        struct timespec t2 = {0, 0}, t3;
        uint8_t ttl = 0;
        for (struct cmsghdr *c = CMSG_FIRSTHDR(&m); c; c = CMSG_NXTHDR(&m, c)) {
            if (c->cmsg_level == SOL_SOCKET) memcpy(&t2, CMSG_DATA(c), sizeof t2);
            if (c->cmsg_level == IPPROTO_IP && c->cmsg_type == IP_TTL) ttl = *(int *)CMSG_DATA(c);
        }
        memset(out, 0, 44);
        uint32_t number = htobe32(count++);
        memcpy(out, &number, 4);
        memcpy(out + 12, "\x00\x01", 2);
        memcpy(out + 14, in + 14, 2);
        uint64_t stamp = ntp(&t2);
        memcpy(out + 16, &stamp, 8);
        memcpy(out + 24, in, 14);
        out[40] = ttl;
        memcpy(out + 44, in + 44, n - 44);
        clock_gettime(CLOCK_REALTIME, &t3);
        stamp = ntp(&t3);
        memcpy(out + 4, &stamp, 8);
        sendto(fd, out, n, 0, (struct sockaddr *)&from, sizeof from);
    }
}

static int flood(struct sockaddr_in *at, double seconds) {
    int fd = socket(AF_INET, SOCK_DGRAM, 0), room = 1 << 22;
    setsockopt(fd, SOL_SOCKET, SO_RCVBUF, &room, sizeof room);
    if (connect(fd, (struct sockaddr *)at, sizeof *at)) return 1;
    static uint8_t packets[BATCH][44], answers[BATCH][64];
    struct mmsghdr out[BATCH], in[BATCH];
    struct iovec ov[BATCH], iv[BATCH];
    memset(out, 0, sizeof out);
    memset(in, 0, sizeof in);
    for (int i = 0; i < BATCH; i++) {
        ov[i] = (struct iovec){packets[i], 44};
        iv[i] = (struct iovec){answers[i], 64};
        out[i].msg_hdr.msg_iov = &ov[i];
        in[i].msg_hdr.msg_iov = &iv[i];
        out[i].msg_hdr.msg_iovlen = in[i].msg_hdr.msg_iovlen = 1;
    }
    uint32_t number = 0;
    uint64_t answered = 0;
    int64_t flying = 0;
    struct timespec begin, now;
    clock_gettime(CLOCK_MONOTONIC, &begin);
    for (;;) {
        clock_gettime(CLOCK_MONOTONIC, &now);
        if (now.tv_sec - begin.tv_sec + (now.tv_nsec - begin.tv_nsec) / 1e9 > seconds) break;
        /* Keep the reflector's queue full, but not so full that the system drops most of it. */
        if (flying < 4 * BATCH) {
            for (int i = 0; i < BATCH; i++) {
                uint32_t wire = htobe32(number++);
                uint64_t t1 = ntp(&now);
                memcpy(packets[i], &wire, 4);
                memcpy(packets[i] + 4, &t1, 8);
                memcpy(packets[i] + 12, "\x00\x01\x00\x07", 4);
            }
            int sent = sendmmsg(fd, out, BATCH, 0);
            if (sent > 0) flying += sent;
        }
        struct pollfd p = {fd, POLLIN, 0};
        if (poll(&p, 1, 10) == 0) {
            flying = 0; /* what is missing by now was dropped */
            continue;
        }
        int got = recvmmsg(fd, in, BATCH, MSG_DONTWAIT, NULL);
        if (got > 0) answered += got, flying -= got;
    }
    printf("%llu\n", (unsigned long long)answered);
    return 0;
}

int main(int argc, char **argv) {
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    if (argc == 4 && !strcmp(argv[1], "flood")) {
        at.sin_port = htons(atoi(argv[2]));
        return flood(&at, atof(argv[3]));
    }
    if (argc != 2) return 2;
    at.sin_port = htons(atoi(argv[1]));
    return reflect(&at);
}
