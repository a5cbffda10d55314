/* How late a bare loop wakes: the floor beside which bench_wake.py and bench_jitter.py are to be read.

   bare_wake WAY HANDS < seconds    WAY: plain, slice (0.1 ms, sched_setattr(2)), rr (SCHED_RR).
   HANDS: 0, one thread as it is; else so many threads, pinned to two processors in turn, of which the first awake takes
   each moment, in a session of their own. Prints nanoseconds after each moment. */
#define _GNU_SOURCE
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#define MOST 100000
struct attr { uint32_t size, policy; uint64_t flags; int32_t nice; uint32_t priority; uint64_t runtime, deadline, period; };
static int64_t due_ns[MOST], late_ns[MOST];
static atomic_int next_one;
static int n;
static const char *way;

static int64_t now_ns(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static void *hand(void *processor) {
    struct attr attr = {.size = 48};
    if (!strcmp(way, "slice")) attr.runtime = 100000;
    if (!strcmp(way, "rr")) attr.policy = SCHED_RR, attr.priority = 5;
    prctl(PR_SET_TIMERSLACK, 1);
    if (strcmp(way, "plain") && syscall(SYS_sched_setattr, 0, &attr, 0)) perror(way), exit(1);
    if ((intptr_t)processor >= 0) {
        cpu_set_t set;
        CPU_ZERO(&set);
        CPU_SET((intptr_t)processor, &set);
        sched_setaffinity(0, sizeof set, &set);
    }
    for (int i = 0; i < n; i++) {
        struct timespec t = {due_ns[i] / 1000000000, due_ns[i] % 1000000000};
        if (atomic_load(&next_one) > i) continue;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, 0);
        int mine = i;
        if (atomic_compare_exchange_strong(&next_one, &mine, i + 1)) late_ns[i] = now_ns() - due_ns[i];
    }
    return 0;
}

int main(int argc, char **argv) {
    pthread_t threads[16];
    int n_hands = argc > 2 ? atoi(argv[2]) : 0, n_threads = n_hands ? n_hands : 1;
    double second;
    way = argv[1];
    if (n_hands && setsid() < 0) perror("setsid");
    mlockall(MCL_CURRENT | MCL_FUTURE);
    int64_t begin_ns = now_ns() + 500000000;
    while (n < MOST && scanf("%lf", &second) == 1) due_ns[n++] = begin_ns + second * 1e9;
    for (intptr_t i = 0; i < n_threads; i++) pthread_create(&threads[i], 0, hand, (void *)(n_hands ? i % 2 : -1));
    for (int i = 0; i < n_threads; i++) pthread_join(threads[i], 0);
    for (int i = 0; i < n; i++) printf("%lld\n", (long long)late_ns[i]);
}
