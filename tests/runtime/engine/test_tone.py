from __future__ import annotations

import numpy as np

from residue.mapping.signals import frame_at
from residue.runtime.engine.tone import TONE_REST_S, Tone

SILENCE = np.zeros((2, 4_800))


def test_it_sounds_once_from_its_first_frame_to_its_last() -> None:
    sound = np.random.default_rng(1).standard_normal((2, 11_000))
    tone = Tone()
    tone.begin(sound)
    heard = np.hstack([tone.next(SILENCE) for _ in range(5)])
    assert np.array_equal(heard[:, :11_000], sound)
    assert not heard[:, 11_000:].any()


def test_it_is_told_until_the_watchdog_no_longer_sees_its_peaks() -> None:
    tone = Tone()
    assert not tone.told
    tone.begin(np.ones((2, 100)))
    told = []
    for _ in range(2 * frame_at(TONE_REST_S) // 4_800):
        tone.next(SILENCE)
        told.append(tone.told)
    assert sum(told) == frame_at(TONE_REST_S) // 4_800
    assert told == sorted(told, reverse=True)


def test_a_turn_that_begins_takes_its_place() -> None:
    tone = Tone()
    tone.begin(np.ones((2, 48_000)))
    tone.next(SILENCE)
    tone.drop()
    assert not tone.next(SILENCE).any()
