"""The process that listens for one proof: it opens the microphone, hears the sweeps, and ends.

Its standard input has a line of JSON to begin with, and another once the sound was ordered. It answers with a line once
it hears, and with one of figures. The sound itself stays in its memory and ends with it: it is never written anywhere,
and never sent.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import BinaryIO

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.live.sound_input import SoundInput
from residue.mapping.signals import frame_at
from residue.proof.hearing import HeardSweeps, heard
from residue.proof.messages import EARLY_S, LATE_S, Listen, Ordered, Ready
from residue.proof.microphone import Beginning, microphone_or_trouble

_READ_S = 0.1


def listen(
    asked: Listen,
    microphone: SoundInput,
    ready: Callable[[], None],
    ordered: Callable[[], Ordered],
    monotonic_s: Callable[[], float] = time.monotonic,
) -> HeardSweeps:
    """ready: called once it hears. ordered: gives the order, at the end."""
    read, beginning = frame_at(_READ_S), Beginning()

    def part() -> NDArray[np.float32]:
        frames: NDArray[np.float32] = microphone.read(read)[asked.input - 1]
        beginning.read(read, monotonic_s())
        return frames

    microphone.read(read)  # it hears
    ready()
    recording = np.concatenate([part() for _ in range(round(asked.listen_s / _READ_S))]).astype(np.float64)
    at_s = ordered().ordered_s
    first, last = (max(0, beginning.frame_at(at_s + after_s)) for after_s in (-EARLY_S, LATE_S))
    return heard(recording, asked.slots, (first, min(last, len(recording))))


def serve(questions: BinaryIO, answers: BinaryIO) -> None:
    """Hears once, as the first line asks."""

    def answer(one: object) -> None:
        answers.write(msgspec.json.encode(one) + b"\n")
        answers.flush()

    asked = msgspec.json.decode(questions.readline(), type=Listen)
    microphone = microphone_or_trouble(asked.device, asked.input)
    if isinstance(microphone, str):
        answer(Ready(hears=False))
        return answer(HeardSweeps(trouble=microphone))
    try:
        answer(
            listen(
                asked,
                microphone,
                lambda: answer(Ready(hears=True)),
                lambda: msgspec.json.decode(questions.readline(), type=Ordered),
            )
        )
    finally:
        microphone.close()


if __name__ == "__main__":
    serve(sys.stdin.buffer, sys.stdout.buffer)
