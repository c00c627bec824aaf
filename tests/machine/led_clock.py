"""The clock of another machine: a crystal of its own that chrony leads, for whoever runs in its environment.

A library that is loaded before all others answers for CLOCK_REALTIME and CLOCK_MONOTONIC, and obeys what chronyd asks
of the kernel: a frequency, a step. CLOCK_BOOTTIME stays that of this machine, so whoever asks both knows how far apart
they are. Deadlines that the kernel keeps stay its own, which is some millionths.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

_SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <sys/timex.h>
#include <time.h>

struct state {
    uint64_t turn;            // odd while it is written, by chronyd alone but for steps
    int64_t crystal_ns;       // at which the line below begins
    int64_t monotonic_ns;     // there
    int64_t ahead_ns;         // of the wall clock against the monotonic one
    double faster;            // as chronyd asked, beside the tick
    int64_t begun_ns, begun;  // when the crystal began, on this machine's clock
    int64_t tick_us, status, maxerror_us, esterror_us;
};
static int (*real)(clockid_t, struct timespec *);
static int (*real_option)(int, int, int, const void *, socklen_t);
static struct state *state;
static double off_ppm, wander_ppm, period_s;

static int64_t now_ns(clockid_t which) {
    struct timespec now;
    real(which, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

__attribute__((constructor)) static void look_it_up(void) {
    real = dlsym(RTLD_NEXT, "clock_gettime");
    real_option = dlsym(RTLD_NEXT, "setsockopt");
    off_ppm = atof(getenv("CRYSTAL_PPM"));
    wander_ppm = atof(getenv("CRYSTAL_WANDER_PPM"));
    period_s = atof(getenv("CRYSTAL_WANDER_S"));
    state = mmap(0, sizeof *state, PROT_READ | PROT_WRITE, MAP_SHARED, open(getenv("LED_CLOCK"), O_RDWR), 0);
    int64_t none = 0;
    if (__atomic_compare_exchange_n(&state->begun, &none, 1, 0, __ATOMIC_SEQ_CST, __ATOMIC_SEQ_CST)) {
        state->begun_ns = state->crystal_ns = state->monotonic_ns = now_ns(CLOCK_MONOTONIC);
        state->ahead_ns = now_ns(CLOCK_REALTIME) - now_ns(CLOCK_MONOTONIC);
        state->tick_us = 10000;
        state->status = STA_UNSYNC;
        state->maxerror_us = state->esterror_us = 16000000;
    }
}

static int64_t crystal_ns(void) {
    int64_t now = now_ns(CLOCK_MONOTONIC);
    double since_ns = (double)(now - state->begun_ns), turn = 2.0 * M_PI / (period_s * 1e9);
    double wandered_ns = wander_ppm * (1.0 - cos(since_ns * turn)) / turn;
    return now + (int64_t)((off_ppm * since_ns + wandered_ns) * 1e-6);
}

static double speed(const struct state *one) { return (1.0 + one->faster) * (double)one->tick_us / 10000.0; }

static int64_t monotonic_at(const struct state *one, int64_t crystal) {
    int64_t since = crystal - one->crystal_ns;
    return one->monotonic_ns + since + (int64_t)((double)since * (speed(one) - 1.0));
}

static struct state whole(void) {
    struct state copy;
    uint64_t before;
    do {
        before = __atomic_load_n(&state->turn, __ATOMIC_ACQUIRE);
        memcpy(&copy, state, sizeof copy);
        __atomic_thread_fence(__ATOMIC_ACQUIRE);
    } while (before & 1 || before != __atomic_load_n(&state->turn, __ATOMIC_RELAXED));
    return copy;
}

int clock_gettime(clockid_t which, struct timespec *now) {
    if (which != CLOCK_REALTIME && which != CLOCK_MONOTONIC) return real(which, now);
    struct state one = whole();
    int64_t ns = monotonic_at(&one, crystal_ns()) + (which == CLOCK_REALTIME ? one.ahead_ns : 0);
    now->tv_sec = ns / 1000000000LL, now->tv_nsec = ns % 1000000000LL;
    return 0;
}

int gettimeofday(struct timeval *now, void *zone) {
    (void)zone;
    struct timespec exact;
    clock_gettime(CLOCK_REALTIME, &exact);
    now->tv_sec = exact.tv_sec, now->tv_usec = exact.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *also) {
    struct timespec exact;
    clock_gettime(CLOCK_REALTIME, &exact);
    if (also) *also = exact.tv_sec;
    return exact.tv_sec;
}

int adjtimex(struct timex *asked) {
    if (asked->modes) {
        struct state one = whole();
        int64_t crystal = crystal_ns();
        one.monotonic_ns = monotonic_at(&one, crystal), one.crystal_ns = crystal;
        if (asked->modes & ADJ_FREQUENCY) one.faster = (double)asked->freq / 65536e6;
        if (asked->modes & ADJ_TICK) one.tick_us = asked->tick;
        if (asked->modes & ADJ_STATUS) one.status = asked->status;
        if (asked->modes & ADJ_MAXERROR) one.maxerror_us = asked->maxerror;
        if (asked->modes & ADJ_ESTERROR) one.esterror_us = asked->esterror;
        if (asked->modes & ADJ_SETOFFSET) {  // errors are unknown then, by which chronyd sees that it was obeyed
            one.ahead_ns += asked->time.tv_sec * 1000000000LL;
            one.ahead_ns += asked->time.tv_usec * (asked->modes & ADJ_NANO ? 1 : 1000);
            one.maxerror_us = one.esterror_us = 16000000;
        }
        uint64_t turn = __atomic_load_n(&state->turn, __ATOMIC_RELAXED);
        __atomic_store_n(&state->turn, turn + 1, __ATOMIC_RELEASE);
        __atomic_thread_fence(__ATOMIC_SEQ_CST);
        one.turn = turn + 1;
        memcpy(state, &one, sizeof one);
        __atomic_store_n(&state->turn, turn + 2, __ATOMIC_RELEASE);
    }
    struct state one = whole();
    memset(asked, 0, sizeof *asked);
    asked->freq = lround(one.faster * 65536e6), asked->tick = one.tick_us, asked->status = one.status;
    asked->maxerror = one.maxerror_us, asked->esterror = one.esterror_us;
    asked->constant = 7, asked->precision = 1, asked->tolerance = 500 * 65536;
    gettimeofday(&asked->time, 0);
    return one.status & STA_UNSYNC ? TIME_ERROR : TIME_OK;
}

int ntp_adjtime(struct timex *asked) { return adjtimex(asked); }

int clock_adjtime(clockid_t which, struct timex *asked) { (void)which; return adjtimex(asked); }

int setsockopt(int socket, int level, int name, const void *value, socklen_t length) {
    if (level == SOL_SOCKET && (name == SO_TIMESTAMP || name == SO_TIMESTAMPNS || name == SO_TIMESTAMPING)) {
        errno = ENOPROTOOPT;  // the kernel's stamps are of this machine's clock
        return -1;
    }
    return real_option(socket, level, name, value, length);
}
"""


class LedClock:
    """A clock in a folder. Its crystal is off by so many ppm, and wanders by more, once up and down in wander_s."""

    def __init__(self, folder: Path, ppm: float, wander_ppm: float, wander_s: float = 900.0) -> None:
        library = folder / "led_clock.so"
        (folder / "led_clock.c").write_text(_SOURCE)
        (folder / "clock").write_bytes(bytes(4_096))
        options = ["-O2", "-shared", "-fPIC", "-Wall", "-Werror"]
        subprocess.run(["gcc", *options, "-o", str(library), str(folder / "led_clock.c"), "-ldl", "-lm"], check=True)
        self.environment: Mapping[str, str] = {
            **os.environ,
            "LD_PRELOAD": str(library),
            "LED_CLOCK": str(folder / "clock"),
            "CRYSTAL_PPM": str(ppm),
            "CRYSTAL_WANDER_PPM": str(wander_ppm),
            "CRYSTAL_WANDER_S": str(wander_s),
        }
