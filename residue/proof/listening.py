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

from residue.live.sound_input import LATENCY_S, SoundInput
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at, seconds
from residue.problems import ProblemError
from residue.proof.hearing import HeardSweeps, heard
from residue.proof.sweep import SLOT_FRAMES, Slot

BEFORE_S = 2.0
"""Of the room alone is heard so long before the sound is ordered."""
EARLY_S, LATE_S = 0.3, 3.0
"""From so long before the order, as clocks are read, until so long after it the sound may begin to arrive."""
_READ_S = 0.1


class Listen(msgspec.Struct, frozen=True, kw_only=True):
    """What to listen for, and where."""

    device: str
    input: int
    slots: list[Slot]

    @property
    def listen_s(self) -> float:
        """The length of the recording in memory."""
        return BEFORE_S + LATE_S + seconds(len(self.slots) * SLOT_FRAMES)


class Ready(msgspec.Struct, frozen=True, kw_only=True):
    """Whether it hears from now on."""

    hears: bool


class Ordered(msgspec.Struct, frozen=True, kw_only=True):
    """The sound was ordered at this moment. ordered_s: monotonic, which all processes of a machine share."""

    ordered_s: float


def listen(
    asked: Listen,
    microphone: SoundInput,
    ready: Callable[[], None],
    ordered: Callable[[], Ordered],
    monotonic_s: Callable[[], float] = time.monotonic,
) -> HeardSweeps:
    """ready: called once it hears. ordered: gives the order, at the end."""
    read = frame_at(_READ_S)
    microphone.read(read)  # what waited in the device
    began_s = monotonic_s() - LATENCY_S
    ready()
    parts = [microphone.read(read)[asked.input - 1] for _ in range(round(asked.listen_s / _READ_S))]
    recording = np.concatenate(parts).astype(np.float64)
    at_s = ordered().ordered_s - began_s
    first, last = (round(max(0.0, at_s + after_s) * AUDIO_RATE_HZ) for after_s in (-EARLY_S, LATE_S))
    return heard(recording, asked.slots, (first, min(last, len(recording))))


def serve(questions: BinaryIO, answers: BinaryIO) -> None:
    """Hears once, as the first line asks."""

    def answer(one: object) -> None:
        answers.write(msgspec.json.encode(one) + b"\n")
        answers.flush()

    asked = msgspec.json.decode(questions.readline(), type=Listen)
    try:
        from residue.live.device_input import open_input

        microphone = open_input(asked.device, asked.input, "room.toml: microphone.device")
    except ProblemError as error:
        answer(Ready(hears=False))
        return answer(HeardSweeps(trouble=" ".join(f"{one.what} {one.mend}".strip() for one in error.findings)))
    except OSError as error:
        answer(Ready(hears=False))
        return answer(HeardSweeps(trouble=f"The microphone cannot be opened: {error}."))
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
