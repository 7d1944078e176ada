/* The yardstick of daemon-cpu: the same packets as the daemon's, sent and timed and nothing more.
 * Ten echo sockets and ten UDP sockets, a packet a second each at phases of their own, kernel stamps both ways.
 *   prober SECONDS PORT ECHO-ADDRESS... -- UDP-ADDRESS...   prints packets sent and answered.  */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <linux/errqueue.h>
#include <linux/net_tstamp.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

#define SECOND 1000000000LL
#define MOST 64
#define UDP_OCTETS 112 /* STAMP in its authenticated mode, RFC 8762 4.2.2 */
#define ECHO_OCTETS 64

static int64_t now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec * SECOND + at.tv_nsec;
}

static int drain(int fd, int flags) {
    uint8_t data[2048], control[512];
    int got = 0;
    for (;;) {
        struct sockaddr_in from;
        struct iovec v = {data, sizeof data};
        struct msghdr m = {&from, sizeof from, &v, 1, control, sizeof control, 0};
        if (recvmsg(fd, &m, flags | MSG_DONTWAIT) < 0) return got;
        got++;
    }
}

int main(int argc, char **argv) {
    if (argc < 4) return 2;
    int64_t end = now() + atoll(argv[1]) * SECOND;
    int port = atoi(argv[2]), count = 0, udp = 0, poll = epoll_create1(0);
    int fds[MOST], kinds[MOST];
    int stamps = SOF_TIMESTAMPING_RX_SOFTWARE | SOF_TIMESTAMPING_TX_SOFTWARE | SOF_TIMESTAMPING_SOFTWARE;
    for (int i = 3; i < argc && count < MOST; i++) {
        if (!strcmp(argv[i], "--")) { udp = 1; continue; }
        int fd = udp ? socket(AF_INET, SOCK_DGRAM, 0) : socket(AF_INET, SOCK_DGRAM, IPPROTO_ICMP);
        if (fd < 0 && !udp) fd = socket(AF_INET, SOCK_RAW, IPPROTO_ICMP);
        struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(udp ? port : 0)};
        if (fd < 0 || !inet_aton(argv[i], &to.sin_addr)) return 1;
        setsockopt(fd, SOL_SOCKET, SO_TIMESTAMPING, &stamps, sizeof stamps);
        if (connect(fd, (struct sockaddr *)&to, sizeof to)) return 1;
        struct epoll_event event = {.events = EPOLLIN, .data.u32 = count};
        if (epoll_ctl(poll, EPOLL_CTL_ADD, fd, &event)) return 1;
        fds[count] = fd;
        kinds[count++] = udp;
    }
    int timer = timerfd_create(CLOCK_MONOTONIC, 0), next = 0;
    struct epoll_event event = {.events = EPOLLIN, .data.u32 = MOST};
    if (timer < 0 || !count || epoll_ctl(poll, EPOLL_CTL_ADD, timer, &event)) return 1;
    int64_t begin = now(), turn = 0;
    long sent = 0, answered = 0;
    uint16_t number = 0;
    for (;;) {
        int64_t due = begin + turn * SECOND + next * SECOND / count;
        if (due > end) break;
        struct itimerspec at = {.it_value = {.tv_sec = due / SECOND, .tv_nsec = due % SECOND}};
        timerfd_settime(timer, TFD_TIMER_ABSTIME, &at, NULL);
        for (int fired = 0; !fired;) {
            struct epoll_event ready[MOST];
            int many = epoll_wait(poll, ready, MOST, -1);
            for (int i = 0; i < many; i++) {
                if (ready[i].data.u32 == MOST) {
                    uint64_t times;
                    fired = read(timer, &times, sizeof times) == sizeof times;
                } else {
                    drain(fds[ready[i].data.u32], MSG_ERRQUEUE);
                    answered += drain(fds[ready[i].data.u32], 0);
                }
            }
        }
        uint8_t out[UDP_OCTETS] = {0};
        int octets = kinds[next] ? UDP_OCTETS : ECHO_OCTETS;
        number++;
        if (kinds[next]) memcpy(out + 2, &number, 2);
        else {
            out[0] = 8; /* ICMP echo request; the kernel fills identifier and checksum of a ping socket */
            memcpy(out + 6, &number, 2);
        }
        if (send(fds[next], out, octets, 0) == octets) sent++;
        if (++next == count) { next = 0; turn++; }
    }
    printf("%ld %ld\n", sent, answered);
    return 0;
}
