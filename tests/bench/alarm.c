/* The yardstick of send-pacing: how late a timerfd wakes a program that does nothing else.
   alarm STEP_NS COUNT prints one lateness in ns a line. */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

#define SECOND 1000000000LL

static int64_t now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec * SECOND + at.tv_nsec;
}

int main(int argc, char **argv) {
    if (argc != 3) return 2;
    int64_t step = atoll(argv[1]), due = now() + step;
    int count = atoi(argv[2]);
    int64_t *late = calloc(count, sizeof *late);
    int timer = timerfd_create(CLOCK_MONOTONIC, 0), poll = epoll_create1(0);
    struct epoll_event event = {.events = EPOLLIN};
    if (!late || timer < 0 || poll < 0 || epoll_ctl(poll, EPOLL_CTL_ADD, timer, &event)) return 1;
    for (int i = 0; i < count; i++, due += step) {
        struct itimerspec at = {.it_value = {.tv_sec = due / SECOND, .tv_nsec = due % SECOND}};
        uint64_t fired;
        if (timerfd_settime(timer, TFD_TIMER_ABSTIME, &at, NULL) || epoll_wait(poll, &event, 1, -1) != 1) return 1;
        if (read(timer, &fired, sizeof fired) != sizeof fired) return 1;
        late[i] = now() - due;
    }
    for (int i = 0; i < count; i++) printf("%" PRId64 "\n", late[i]);
    return 0;
}
