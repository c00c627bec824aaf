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
from residue.mapping.signals import AUDIO_RATE_HZ, frame_at
from residue.problems import ProblemError, without_place
from residue.proof.hearing import HeardSweeps, heard
from residue.proof.messages import EARLY_S, LATE_S, Listen, Ordered, Ready

_READ_S = 0.1


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
        return answer(HeardSweeps(trouble=without_place(error.findings)))
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
