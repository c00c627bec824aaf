"""A hand that touches the electrodes of a heart: what was not measured says nothing of how the heart varies."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from residue.dsp.qrs import BeatFinder
from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, CONTROL_RATE_HZ, FRAMES_PER_TICK, Events
from residue.mapping.trust import DOUBTFUL
from tests.mapping.single import read, same
from tests.reference import faults
from tests.reference.recordings import Recording, ecg_systole
from tests.reference.test_heart import at_control_rate

RANDOM = np.random.default_rng(4)
INTERVALS_S = 0.8 + 0.03 * np.sin(np.arange(60) / 2.0) + RANDOM.normal(0.0, 0.01, 60)
FRAMES = np.round(np.cumsum(INTERVALS_S) * AUDIO_RATE_HZ).astype(np.int64)
MEASURED = 0.6
"""From this trust on an interval beside a beat counts."""
TOUCHED = 30
"""This beat, and the one after it, lie 0.15 s off."""


def touched() -> tuple[Events, np.ndarray]:
    """Beats of which two are out of their place and not trusted, and the trust at each tick."""
    frames = FRAMES.copy()
    frames[TOUCHED : TOUCHED + 2] += np.array([1, -1]) * round(0.15 * AUDIO_RATE_HZ)
    trust = np.ones(int(FRAMES[-1]) // FRAMES_PER_TICK + 2)
    from_tick, to_tick = (int(frames[at]) // FRAMES_PER_TICK for at in (TOUCHED, TOUCHED + 2))
    trust[from_tick:to_tick] = 0.55
    return Events(frames, np.diff(frames, prepend=0) / AUDIO_RATE_HZ), trust


@pytest.mark.parametrize("kind", ["rmssd", "respiratory_modulation"])
def test_intervals_beside_a_beat_that_is_not_trusted_are_left_out(kind: str) -> None:
    """RMSSD by the formula of Task Force, Eur Heart J 17 (1996) 354-381, over the beats that are normal."""
    events, trust = touched()
    node, count = KINDS[kind](input="a"), len(trust) * FRAMES_PER_TICK
    found, known = read(node, {"input": events}, count, trusts={"input": trust})
    assert isinstance(found, np.ndarray)
    assert known is not None
    assert known[-1] > DOUBTFUL
    if kind == "rmssd":
        changes = np.diff(INTERVALS_S)
        normal = np.concatenate((changes[: TOUCHED - 1], changes[TOUCHED + 2 :]))[-29:]
        assert found[-1] == pytest.approx(1000.0 * np.sqrt(np.mean(normal**2)), rel=0.02)
    else:
        without = read(node, {"input": Events(FRAMES, INTERVALS_S)}, count).signal
        assert isinstance(without, np.ndarray)
        assert np.abs(found - without)[int(FRAMES[TOUCHED]) // FRAMES_PER_TICK :].max() < 25.0


@pytest.mark.parametrize("kind", ["rmssd", "respiratory_modulation"])
def test_what_is_left_out_is_the_same_however_time_is_cut(kind: str) -> None:
    """Also where a cut lies between a beat and its tick."""
    events, trust = touched()
    inputs, count = {"input": events}, len(trust) * FRAMES_PER_TICK
    cuts = [*(FRAMES - 1).tolist(), *FRAMES.tolist(), *(events.frames + 7).tolist(), *range(0, count, 10_007)]
    node = KINDS[kind](input="a")
    whole, parts = (read(node, inputs, count, at, trusts={"input": trust}) for at in ((), cuts))
    assert same(whole.signal, parts.signal)
    assert whole.trust is not None
    assert parts.trust is not None
    assert same(whole.trust, parts.trust)


def test_a_touch_shows_in_the_beat_that_it_puts_out_of_its_place() -> None:
    """Of 160 beats of a person, 3 s in 15 touched: told by ours, as it comes, and by neurokit2's likeness of beats.

    Out of their place by more than 20 ms is what neither detector has without the touch. neurokit2 sees the whole
    recording; its likeness is that of the averaged beat (ecg_quality, "averageQRS").
    """
    body = faults.ecg()
    made = faults.FAULTS["a hand that touches"].made(body, np.random.default_rng(9))
    clean, heard = (at_control_rate(Recording(body.rate_hz, "mV", ("ecg",), one), 120.0) for one in (body.values, made))
    found = BeatFinder(CONTROL_RATE_HZ)(heard)
    places = np.array([beat.at for beat in found])
    at_rest = np.array([beat.at for beat in BeatFinder(CONTROL_RATE_HZ)(clean)])
    off = np.abs(places[:, None] - at_rest).min(axis=1) > 0.02 * CONTROL_RATE_HZ
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs
        import neurokit2

        cleaned = neurokit2.ecg_clean(heard, CONTROL_RATE_HZ)
        theirs = neurokit2.ecg_quality(cleaned, places, CONTROL_RATE_HZ, method="averageQRS")[places]
    ours = np.array([beat.as_usual for beat in found])

    def told_apart(sure: np.ndarray) -> float:
        """The area under the curve: how often a beat in its place is trusted more than one that is not."""
        pairs = sure[~off][:, None] - sure[off]
        return float(np.mean((pairs > 0) + 0.5 * (pairs == 0)))

    assert off.sum() > 15
    assert told_apart(ours) > 0.9
    assert told_apart(ours) > told_apart(np.asarray(theirs)) - 0.02
    assert np.mean(ours[off] >= MEASURED) < 0.15


def test_at_rest_every_beat_is_as_usual() -> None:
    heard = at_control_rate(ecg_systole(), 300.0)
    assert np.mean([beat.as_usual >= MEASURED for beat in BeatFinder(CONTROL_RATE_HZ)(heard)]) > 0.99
