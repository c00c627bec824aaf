"""The process that listens while the house is open, and tells whether the room has become louder since it opened.

Its standard input has a line of JSON, and then everything that is sent, block by block, each behind its place and the
time at which it is heard. It answers with a line for each second that it hears, and with one of figures for each
window. Sound stays in its memory for a window: it is never written anywhere, and never sent.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from statistics import median
from typing import BinaryIO

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy.signal import sosfilt

from residue.live.sound_input import SoundInput
from residue.loudness.meters.levels import db_of_power
from residue.loudness.meters.weightings import Weighting, sections
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at, seconds
from residue.proof.change import LouderRoom, aligned, spectra, thinned
from residue.proof.hearing import trouble_of
from residue.proof.messages import EARLY_S, HEAD, LATE_S, WINDOW_S, HeardSecond, RoomChange, Watch, WatchTold
from residue.proof.microphone import Beginning, microphone_or_trouble

Floats = NDArray[np.float64]

_READ_S = 1.0
_MOST_WAITING = 1_000


class SentBlock(msgspec.Struct, frozen=True):
    """A block of what was sent: (outputs, frames)."""

    first_frame: int
    heard_at_s: float
    frames: NDArray[np.float32]


class Windows:
    """Brings what was sent and what was heard together, in windows without a gap; gives what each tells."""

    def __init__(self) -> None:
        self._room = LouderRoom()
        self._sent: list[SentBlock] = []
        self._heard = np.empty(0)
        self._beginning = Beginning()

    def sent(self, block: SentBlock) -> None:
        """The next block that was sent; after a gap a window begins anew."""
        last = self._sent[-1] if self._sent else None
        if last is not None and block.first_frame != last.first_frame + last.frames.shape[1]:
            self._sent = []
        self._sent.append(block)

    def heard(self, part: Floats, now_s: float) -> RoomChange | None:
        """The next part of what is heard, read at this moment; what the window tells that it completes."""
        kept = frame_at(2.0 * WINDOW_S + EARLY_S + LATE_S)
        self._heard = np.concatenate((self._heard, part))[-kept:]
        self._beginning.read(len(part), now_s)
        if sum(block.frames.shape[1] for block in self._sent) < frame_at(WINDOW_S):
            return None
        first = self._sent[0].first_frame
        begins_s = median(block.heard_at_s - seconds(block.first_frame - first) for block in self._sent)
        dropped = self._beginning.frames - len(self._heard)
        start = self._beginning.frame_at(begins_s - EARLY_S) - dropped
        length = frame_at(EARLY_S + WINDOW_S + LATE_S)
        if start + length > len(self._heard):
            return None  # it is still to be heard
        sent = np.concatenate([block.frames for block in self._sent], axis=1)[:, : frame_at(WINDOW_S)]
        self._sent = [block for block in self._sent if block.first_frame >= first + frame_at(WINDOW_S)]
        return None if start < 0 else self._told(sent.astype(np.float64), self._heard[start : start + length])

    def _told(self, sent: Floats, heard: Floats) -> RoomChange:
        if trouble := trouble_of(heard):
            return RoomChange(trouble=trouble)
        a_dbfs, c_dbfs = (_level_dbfs(heard, weighting) for weighting in (Weighting.A, Weighting.C))
        if not sent.any():
            return RoomChange(laeq_dbfs=a_dbfs, lceq_dbfs=c_dbfs)
        few = thinned(sent)
        changed = self._room.look(spectra(few, aligned(few, thinned(heard))))
        return RoomChange(laeq_dbfs=a_dbfs, lceq_dbfs=c_dbfs, change_db=changed, louder_db=self._room.louder_db)


def _level_dbfs(heard: Floats, weighting: Weighting) -> float:
    weighted = sosfilt(sections(weighting, AUDIO_RATE_HZ), heard - heard.mean())
    return round(db_of_power(float(np.mean(weighted * weighted))), 1)


def watch(
    asked: Watch,
    microphone: SoundInput,
    waiting: Callable[[], SentBlock | None],
    answer: Callable[[WatchTold], None],
    going: Callable[[], bool],
    monotonic_s: Callable[[], float] = time.monotonic,
) -> None:
    """waiting: the next block that was sent, if one has come. going: whether to go on."""
    windows = Windows()
    while going():
        part = microphone.read(frame_at(_READ_S))[asked.input - 1].astype(np.float64)
        answer(HeardSecond())
        while (block := waiting()) is not None:
            windows.sent(block)
        if (told := windows.heard(part, monotonic_s())) is not None:
            answer(told)


def serve(questions: BinaryIO, answers: BinaryIO) -> None:
    """Watches until the house ends it, or closes its end of the pipe."""

    def answer(one: WatchTold) -> None:
        answers.write(msgspec.json.encode(one) + b"\n")
        answers.flush()

    asked = msgspec.json.decode(questions.readline(), type=Watch)
    microphone = microphone_or_trouble(asked.device, asked.input)
    if isinstance(microphone, str):
        return answer(HeardSecond(trouble=microphone))
    blocks: deque[SentBlock] = deque(maxlen=_MOST_WAITING)
    ended = threading.Event()
    threading.Thread(target=_take, args=(asked, questions, blocks, ended), daemon=True).start()
    try:
        watch(asked, microphone, lambda: blocks.popleft() if blocks else None, answer, lambda: not ended.is_set())
    finally:
        microphone.close()


def _take(asked: Watch, questions: BinaryIO, blocks: deque[SentBlock], ended: threading.Event) -> None:
    while len(head := questions.read(HEAD.size)) == HEAD.size:
        first_frame, heard_at_s, length = HEAD.unpack(head)
        size = 4 * asked.outputs * length
        if len(came := questions.read(size)) < size:
            break
        blocks.append(SentBlock(first_frame, heard_at_s, np.frombuffer(came, np.float32).reshape(-1, length)))
    ended.set()


if __name__ == "__main__":
    serve(sys.stdin.buffer, sys.stdout.buffer)
