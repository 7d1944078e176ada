/* A plain TCP sink and source, the yardstick for our transfers: blocking calls of 1 MiB, a thread a stream,
   the sink discarding with MSG_TRUNC as ours does.
     bulk sink ADDRESS PORT STREAMS            prints octets and seconds from the first octet to the end
     bulk source ADDRESS PORT STREAMS SECONDS                                                             */
#include <arpa/inet.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BLOCK = 1 << 20 };
static double stop_at;

struct stream { int fd; long long octets; double first, last; };

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec / 1e9;
}

static void *take(void *given) {
    struct stream *s = given;
    char *room = malloc(4 * BLOCK);
    ssize_t got;
    while ((got = recv(s->fd, room, 4 * BLOCK, MSG_TRUNC)) > 0) {
        if (!s->octets) s->first = now();
        s->octets += got;
    }
    s->last = now();
    return NULL;
}

static void *give(void *given) {
    struct stream *s = given;
    char *block = calloc(1, BLOCK);
    while (now() < stop_at && send(s->fd, block, BLOCK, MSG_NOSIGNAL) > 0) {}
    close(s->fd);
    return NULL;
}

int main(int argc, char **argv) {
    if (argc < 5) return 2;
    int sink = !strcmp(argv[1], "sink"), streams = atoi(argv[4]), one = 1;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons(atoi(argv[3]))};
    inet_pton(AF_INET, argv[2], &at.sin_addr);
    struct stream all[16] = {0};
    pthread_t threads[16];
    int listening = -1;
    if (sink) {
        listening = socket(AF_INET, SOCK_STREAM, 0);
        setsockopt(listening, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
        if (bind(listening, (struct sockaddr *)&at, sizeof at) || listen(listening, 16)) return 1;
        puts("ready");
        fflush(stdout);
    } else {
        stop_at = now() + atof(argv[5]);
    }
    for (int i = 0; i < streams; i++) {
        all[i].fd = sink ? accept(listening, NULL, NULL) : socket(AF_INET, SOCK_STREAM, 0);
        setsockopt(all[i].fd, IPPROTO_TCP, 13 /* TCP_CONGESTION */, "cubic", 5);
        if (!sink && connect(all[i].fd, (struct sockaddr *)&at, sizeof at)) return 1;
    }
    for (int i = 0; i < streams; i++) pthread_create(&threads[i], NULL, sink ? take : give, &all[i]);
    long long octets = 0;
    double first = 1e18, last = 0;
    for (int i = 0; i < streams; i++) {
        pthread_join(threads[i], NULL);
        octets += all[i].octets;
        if (all[i].octets && all[i].first < first) first = all[i].first;
        if (all[i].last > last) last = all[i].last;
    }
    if (sink) printf("%lld %.6f\n", octets, last - first);
    return 0;
}
