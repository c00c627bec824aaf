"""Records a live performance into a bag: complete on the disk at every moment, sealed at the end.

The files grow in a work folder beside the bag. A power cut leaves that folder, never half a bag; `recovered` seals it.
A thread of its own writes, so that nobody waits for a slow disk.
"""

from __future__ import annotations

import logging
import os
import shutil
import threading
from collections.abc import Callable, Mapping
from datetime import date
from functools import partial
from pathlib import Path
from queue import Empty, SimpleQueue

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.archive.bag import Bag, seal_moving
from residue.archive.beside import disk_problem, file_beside, telling
from residue.archive.ingest.run import bag_info
from residue.archive.performance import FILE_NAME, ChannelSpan, Performance, read_performance, write_performance
from residue.archive.readers.beats import AT_S
from residue.live.arrivals import BeatMessage
from residue.live.sensors import BEATS_COLUMN, SOUND_FILE, Sensors, rate_hz_of
from residue.mapping.signals import AUDIO_RATE_HZ, seconds
from residue.output.wav import GrowingWav
from residue.problems import stopping
from residue.progress import Progress, silent
from residue.records import SpoiltRecordError, encode_record, read_record

logger = logging.getLogger(__name__)

WORK = ".recording-"
_FORM = "form.json"
_ONTO_DISK_S = 2.0

Gaps = Mapping[str, list[tuple[int, int]]]
"""By channel: first sample and one past the last, at the rate of its file."""


class _Form(msgspec.Struct, frozen=True):
    """The channels and the rate of a file, needed to continue it."""

    channels: int
    rate_hz: int


def work_folder(into: Path) -> Path:
    """The folder in which the files of a bag grow."""
    return into.with_name(f"{WORK}{into.name}")


def check_place(into: Path) -> None:
    """Raises ProblemError where `into` exists already, or there is an interrupted evening."""
    if into.exists():
        raise stopping(str(into), "Something exists there already.", "Choose another name, or move it away.")
    work = work_folder(into)
    if work.exists():
        what = f"A recording into {into.name} was interrupted; its files are in {work}."
        raise stopping(str(into), what, "Seal it with --recover, or remove that folder.")


class Take:
    """The files of one evening while it is played.

    trouble: the reason why writing stopped; the data before are sealed nevertheless.
    Raises ProblemError.
    """

    def __init__(self, into: Path, sensors: Sensors, performance: Performance) -> None:
        check_place(into)
        self._into, self._work = into, work_folder(into)
        self._performance, self._sensors = performance, sensors
        forms = _forms(sensors)
        with telling(into):
            (self._work / "data").mkdir(parents=True)
            _write_performance(self._work, performance)
            with file_beside(self._work / _FORM) as making:
                making.write_bytes(encode_record(forms))
            self._wavs = _open_wavs(self._work, forms)
            self._beats = {
                name: (self._work / "data" / sensors.file_of(name)).open("a", encoding="utf-8")
                for name, sensor in sensors.channel.items()
                if sensor.beats
            }
            for file in self._beats.values():
                file.write(f"{AT_S},{BEATS_COLUMN}\n")
        self.trouble: str | None = None
        self._orders: SimpleQueue[Callable[[], object]] = SimpleQueue()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="take", daemon=True)
        self._thread.start()

    def sound(self, samples: NDArray[np.float32]) -> None:
        """Writes the sound input, (channels, frames)."""
        self._order(partial(self._append, SOUND_FILE, np.ascontiguousarray(samples.T)))

    def samples(self, name: str, samples: NDArray[np.float32]) -> None:
        """Writes samples of a channel with messages, (samples,)."""
        self._order(partial(self._append, self._sensors.file_of(name), samples[:, None]))

    def beat(self, name: str, beat: BeatMessage) -> None:
        """Writes one beat into the file of its channel."""
        line = f"{seconds(beat.frame):.9f},{beat.interval_s:.9f}\n"
        self._order(lambda: self._beats[name].write(line))

    def seal(self, frames: int, gaps: Gaps, lengths: Mapping[str, int], on: date, progress: Progress = silent) -> Bag:
        """Ends the take, and makes the bag. frames: the length of the performance; lengths: by file, in its own frames.

        Raises ProblemError.
        """
        self._ending.set()
        self._thread.join()
        with telling(self._into):
            for file in self._beats.values():
                file.close()
            for name, wav in self._wavs.items():
                wav.end_at(min(wav.frames, lengths[name]))
                wav.close()
            performance = _with_gaps(self._performance, gaps, _read_forms(self._work))
            if self.trouble is None:
                performance = msgspec.structs.replace(performance, duration_s=seconds(frames))
            _write_performance(self._work, performance)
            return _sealed(self._work, self._into, ["Recorded while it was played."], on, progress)

    def _order(self, write: Callable[[], object]) -> None:
        """Queues an order to write; after writing has stopped, drops it, because it would stay in memory for ever."""
        if self.trouble is None:
            self._orders.put(write)

    def _append(self, file: str, samples: NDArray[np.float32]) -> None:
        self._wavs[file].append(samples)

    def _run(self) -> None:
        while True:
            ending = self._ending.is_set()  # read before the queue is emptied: nothing comes after it is set
            try:
                self._write_what_waits()
            except OSError as error:
                self.trouble = str(disk_problem(self._work, error))
                logger.error("%s From here on the evening is played but not recorded.", self.trouble)
                return
            if ending:
                return
            self._ending.wait(_ONTO_DISK_S)

    def _write_what_waits(self) -> None:
        try:
            while True:
                self._orders.get_nowait()()
        except Empty:
            for file in self._beats.values():
                file.flush()
            for wav in self._wavs.values():
                wav.onto_disk()


def recovered(into: Path, on: date, progress: Progress = silent) -> Bag:
    """Seals the files of an interrupted evening. Raises ProblemError."""
    work = work_folder(into)
    if not (work / _FORM).exists():
        raise stopping(str(into), "There is no interrupted recording for it.", "Record it without --recover.")
    with telling(into):
        for wav in _open_wavs(work, _read_forms(work)).values():
            wav.end_at(wav.frames)
            wav.close()
        for beats in (work / "data").glob("*.csv"):
            whole = beats.read_bytes()
            beats.write_bytes(whole[: whole.rfind(b"\n") + 1])
        done = ["Recorded while it was played; interrupted, and sealed up to that moment."]
        return _sealed(work, into, done, on, progress)


def _sealed(work: Path, into: Path, done: list[str], on: date, progress: Progress) -> Bag:
    """The bag, made of hard links to the files, so that after any failure the recording is still there."""
    performance, twin = read_performance(work / "data" / FILE_NAME), work / "sealing"
    shutil.rmtree(twin, ignore_errors=True)
    shutil.copytree(work / "data", twin, copy_function=_link)
    bag = seal_moving(twin, into, bag_info(performance, done), on, {}, progress)
    shutil.rmtree(work)
    return bag


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:  # some file systems have no hard links
        shutil.copy2(source, target)


def _write_performance(work: Path, performance: Performance) -> None:
    with file_beside(work / "data" / FILE_NAME) as making:
        making.write_text(write_performance(performance), encoding="utf-8")


def _forms(sensors: Sensors) -> dict[str, _Form]:
    forms = {
        sensors.file_of(name): _Form(1, rate_hz_of(sensor))
        for name, sensor in sensors.channel.items()
        if sensor.input is None and not sensor.beats
    }
    if sensors.inputs:
        forms[SOUND_FILE] = _Form(len(sensors.inputs), AUDIO_RATE_HZ)
    return forms


def _read_forms(work: Path) -> dict[str, _Form]:
    try:
        return read_record(work / _FORM, dict[str, _Form])
    except SpoiltRecordError as error:
        what = f"The list of its files cannot be read: {error}."
        mend = f"The sound files in {work / 'data'} are whole: copy them, and seal them with residue ingest."
        raise stopping(str(work / _FORM), what, mend) from error


def _open_wavs(work: Path, forms: Mapping[str, _Form]) -> dict[str, GrowingWav]:
    return {name: GrowingWav(work / "data" / name, form.channels, form.rate_hz) for name, form in forms.items()}


def _with_gaps(performance: Performance, gaps: Gaps, forms: Mapping[str, _Form]) -> Performance:
    channels = dict(performance.channel)
    for name, found in gaps.items():
        rate_hz = forms[channels[name].file].rate_hz
        stretches = [
            ChannelSpan(start_s=round(start / rate_hz, 6), length_s=round((stop - start) / rate_hz, 6))
            for start, stop in found
        ]
        channels[name] = msgspec.structs.replace(channels[name], bridged=stretches)
    return msgspec.structs.replace(performance, channel=channels)
