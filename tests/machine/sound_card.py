"""A sound card with a crystal of its own, as a plugin of ALSA: what PortAudio plays on it is heard at known moments.

Its place moves as the crystal says, in bursts of a millisecond as a card fetches them, and by no server. A tenth of
each second of the first channel is kept for a meter: when its first frame was heard by CLOCK_BOOTTIME, what the wall
clock of its machine was ahead of that clock then, how often the card was started, what CLOCK_BOOTTIME and the
processor's own counter read at one moment near to it, and the frames. Debian packages: libasound2-dev, gcc.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

NAME = "residue_card"
RATE_HZ = 48_000
KEPT, EVERY = 4_800, 48_000
_HEAD = 5
_SOURCE = r"""
#define _GNU_SOURCE
#include <alsa/asoundlib.h>
#include <alsa/pcm_external.h>
#include <alsa/pcm_ioplug.h>
#include <math.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

enum { RATE = 48000, BURST = 48, KEPT = 4800, EVERY = 48000 };

struct card {
    snd_pcm_ioplug_t io;
    double ppm;
    int out, timer, running, starts;
    double begun_s;
    int64_t given;             // frames, since it was prepared
    int64_t stretch;           // the first frame of the stretch that is kept now
    float kept[KEPT];
};

static double boot_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_BOOTTIME, &now);
    return now.tv_sec + now.tv_nsec * 1e-9;
}

static double wall_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    return now.tv_sec + now.tv_nsec * 1e-9;
}

static double ticks(void) {
#ifdef __x86_64__
    return (double)__builtin_ia32_rdtsc();
#else
    return 0.0;
#endif
}

static double rate_hz(const struct card *card) { return RATE * (1.0 + card->ppm * 1e-6); }

static int64_t played(const struct card *card) {
    if (!card->running) return 0;
    int64_t frames = (boot_s() - card->begun_s) * rate_hz(card);
    return frames - frames % BURST;
}

static void keep_if_heard(struct card *card) {
    if (!card->running || card->given < card->stretch + KEPT || played(card) < card->stretch) return;
    double head[5] = {card->begun_s + card->stretch / rate_hz(card), 0.0, card->starts};
    double took = INFINITY;
    for (int look = 0; look < 5; look++) {
        const double before = ticks(), now_s = boot_s(), shown_s = wall_s(), after = ticks();
        if (after - before >= took) continue;
        took = after - before, head[1] = shown_s - now_s, head[3] = now_s, head[4] = (before + after) / 2.0;
    }
    ssize_t written = write(card->out, head, sizeof head);
    written += write(card->out, card->kept, sizeof card->kept);
    if (written < (ssize_t)(sizeof head + sizeof card->kept)) abort();
    card->stretch += EVERY;
}

static int prepare(snd_pcm_ioplug_t *io) {
    struct card *card = io->private_data;
    card->given = card->stretch = card->running = 0;
    return 0;
}

static int start(snd_pcm_ioplug_t *io) {
    struct card *card = io->private_data;
    card->begun_s = boot_s(), card->running = 1, card->starts++;
    return 0;
}

static int stop(snd_pcm_ioplug_t *io) {
    ((struct card *)io->private_data)->running = 0;
    return 0;
}

static snd_pcm_sframes_t pointer(snd_pcm_ioplug_t *io) {
    struct card *card = io->private_data;
    int64_t place = played(card);
    return place > card->given ? -EPIPE : place % (int64_t)io->buffer_size;
}

static snd_pcm_sframes_t transfer(snd_pcm_ioplug_t *io, const snd_pcm_channel_area_t *areas, snd_pcm_uframes_t offset,
                                  snd_pcm_uframes_t size) {
    struct card *card = io->private_data;
    for (snd_pcm_uframes_t frame = 0; frame < size; frame++, card->given++) {
        int64_t place = card->given - card->stretch;
        if (place < 0 || place >= KEPT) continue;
        const char *at = (const char *)areas[0].addr + (areas[0].first + (offset + frame) * areas[0].step) / 8;
        memcpy(card->kept + place, at, sizeof(float));
    }
    keep_if_heard(card);
    return size;
}

static int revents(snd_pcm_ioplug_t *io, struct pollfd *fds, unsigned count, unsigned short *found) {
    (void)count;
    uint64_t ticks;
    ssize_t came = read(fds->fd, &ticks, sizeof ticks);
    snd_pcm_sframes_t left = snd_pcm_avail_update(io->pcm);
    *found = left < 0 ? POLLERR : came > 0 && left > 0 ? POLLOUT : 0;
    return 0;
}

static int shut(snd_pcm_ioplug_t *io) {
    struct card *card = io->private_data;
    close(card->out), close(card->timer);
    free(card);
    return 0;
}

static const snd_pcm_ioplug_callback_t callbacks = {
    .prepare = prepare, .start = start, .stop = stop, .pointer = pointer,
    .transfer = transfer, .poll_revents = revents, .close = shut,
};

SND_PCM_PLUGIN_DEFINE_FUNC(kept) {
    (void)root;
    const char *file = NULL;
    double ppm = 0.0;
    snd_config_iterator_t one, next;
    snd_config_for_each(one, next, conf) {
        snd_config_t *entry = snd_config_iterator_entry(one);
        const char *id;
        if (snd_config_get_id(entry, &id) < 0) continue;
        if (!strcmp(id, "file")) snd_config_get_string(entry, &file);
        if (!strcmp(id, "ppm")) snd_config_get_ireal(entry, &ppm);
    }
    struct card *card = calloc(1, sizeof *card);
    card->ppm = ppm;
    card->out = open(file, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    card->timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    struct itimerspec every = {{0, 2000000}, {0, 2000000}};
    timerfd_settime(card->timer, 0, &every, NULL);
    card->io.version = SND_PCM_IOPLUG_VERSION, card->io.name = "a card with a crystal of its own";
    card->io.callback = &callbacks, card->io.private_data = card;
    card->io.poll_fd = card->timer, card->io.poll_events = POLLIN;
    int failed = snd_pcm_ioplug_create(&card->io, name, stream, mode);
    if (failed < 0) return failed;
    unsigned access = SND_PCM_ACCESS_RW_INTERLEAVED, format = SND_PCM_FORMAT_FLOAT;
    snd_pcm_ioplug_set_param_list(&card->io, SND_PCM_IOPLUG_HW_ACCESS, 1, &access);
    snd_pcm_ioplug_set_param_list(&card->io, SND_PCM_IOPLUG_HW_FORMAT, 1, &format);
    snd_pcm_ioplug_set_param_minmax(&card->io, SND_PCM_IOPLUG_HW_CHANNELS, 2, 2);
    snd_pcm_ioplug_set_param_minmax(&card->io, SND_PCM_IOPLUG_HW_RATE, RATE, RATE);
    snd_pcm_ioplug_set_param_minmax(&card->io, SND_PCM_IOPLUG_HW_PERIOD_BYTES, 8 * 48, 8 * 48000);
    snd_pcm_ioplug_set_param_minmax(&card->io, SND_PCM_IOPLUG_HW_BUFFER_BYTES, 8 * 480, 8 * 96000);
    *pcmp = card->io.pcm;
    return 0;
}
SND_PCM_PLUGIN_SYMBOL(kept);
"""


@dataclass(frozen=True, slots=True)
class Kept:
    """What the card kept of a second. at_s: when the first frame was heard, by CLOCK_BOOTTIME.

    looked_s, ticks: CLOCK_BOOTTIME and the processor's counter (0 where it is not known) at one moment near to it.
    """

    at_s: float
    wall_ahead_s: float
    starts: int
    frames: NDArray[np.float32]
    looked_s: float
    ticks: float


class SoundCard:
    """For whoever plays on the ALSA device NAME in its environment."""

    def __init__(self, folder: Path, ppm: float) -> None:
        library = folder / "libasound_module_pcm_kept.so"
        (folder / "card.c").write_text(_SOURCE)
        options = ["-O2", "-shared", "-fPIC", "-Wall", "-Wextra", "-Werror", "-DPIC"]
        subprocess.run(["gcc", *options, "-o", str(library), str(folder / "card.c"), "-lasound"], check=True)
        self._file = folder / "kept.raw"
        (folder / "asound.conf").write_text(
            f'</usr/share/alsa/alsa.conf>\npcm_type.kept {{ lib "{library}" }}\n'
            f'pcm.{NAME} {{ type kept file "{self._file}" ppm {ppm} hint {{ show on description "a card" }} }}\n'
        )
        self.environment: Mapping[str, str] = {"ALSA_CONFIG_PATH": str(folder / "asound.conf")}

    def kept(self) -> Iterator[Kept]:
        with self._file.open("rb") as file:
            while len(head := file.read(8 * _HEAD)) == 8 * _HEAD and len(data := file.read(4 * KEPT)) == 4 * KEPT:
                at_s, ahead_s, starts, looked_s, ticks = np.frombuffer(head, np.float64).tolist()
                yield Kept(at_s, ahead_s, int(starts), np.frombuffer(data, np.float32), looked_s, ticks)
