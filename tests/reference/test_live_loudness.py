"""The meter of what is sent, hop by hop, against EBU Tech 3341 and 3342 (November 2023): cases for live meters.

Tech 3341, Table 1: 1 kHz, stereo in phase, levels as peaks of a channel; +-0.1 LU. What a file is measured to be is
checked in test_loudness_ebu; this is the meter behind the status, the level log and the report.
"""

from collections.abc import Iterator, Sequence
from math import pi

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.loudness.caps.ears import ears
from residue.loudness.meters import gating
from residue.loudness.meters.hops import HOP_FRAMES, WeightingBank
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.hop_meter import HopMeter

Floats = NDArray[np.float64]
RATE_HZ = 48_000
SILENT = -999.0
OUTPUTS = {"left": Output(device_channel=1), "right": Output(device_channel=2)}


def tone(parts: Sequence[tuple[float, float]]) -> Floats:
    """(seconds, peak dBFS) one after the other; (frames,)."""
    levels = np.concatenate([np.full(round(s * RATE_HZ), 10 ** (db / 20) if db > -200 else 0.0) for s, db in parts])
    sound: Floats = levels * np.sin(2 * pi * 1000 * np.arange(len(levels)) / RATE_HZ)
    return sound


def metered(parts: Sequence[tuple[float, float]]) -> Iterator[HopMeter]:
    """The meter after each hop; its first place is that of all outputs together."""
    heard = next(one for one in ears(OUTPUTS, ()) if one.weighting is Weighting.A)
    meter, bank = HopMeter(2, heard, {}), WeightingBank({Weighting.A, Weighting.K}, 2)
    sound = tone(parts)
    sound = np.pad(sound, (0, -len(sound) % HOP_FRAMES))
    for hop in np.split(sound, len(sound) // HOP_FRAMES):
        meter(bank(np.stack([hop, hop])))
        meter.settle()
        yield meter


def lufs(power: float) -> float:
    level = gating.lufs(power)
    return -np.inf if level is None else level


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        pytest.param([(20, -23.0)], -23.0, id="case 1"),
        pytest.param([(20, -33.0)], -33.0, id="case 2"),
        pytest.param([(10, -36.0), (60, -23.0), (10, -36.0)], -23.0, id="case 3"),
        pytest.param([(10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)], -23.0, id="case 4"),
        pytest.param([(20, -26.0), (20.1, -20.0), (20, -26.0)], -23.0, id="case 5"),
        # Not of the EBU: these tell a gate at -8 LU from -10, and no absolute gate from one at -70 LUFS.
        pytest.param([(20, -23.0), (20, -34.6)], -25.71, id="a quiet half within 10 LU counts"),
        pytest.param([(60, -72.0), (5, -60.0)], -60.12, id="what lies below -70 LUFS does not count"),
    ],
)
def test_integrated_loudness(parts: list[tuple[float, float]], expected: float) -> None:
    *_, meter = metered(parts)
    integrated, _ = meter.loudness.whole()[0]
    assert integrated == pytest.approx(expected, abs=0.1)


def test_nothing_above_the_gate_is_no_value() -> None:
    *_, meter = metered([(5, -72.0)])
    assert meter.loudness.whole()[0] == (None, None)


@pytest.mark.parametrize(("pattern", "after_s", "kind"), [((1.34, 1.66, 5), 3.0, 1), ((0.18, 0.22, 25), 1.0, 0)])
def test_it_stands_still_over_a_pattern_of_its_own_length(
    pattern: tuple[float, float, int], after_s: float, kind: int
) -> None:
    loud_s, quiet_s, times = pattern  # cases 9 and 12
    hops = list(metered_means([(loud_s, -20.0), (quiet_s, -30.0)] * times, kind))
    assert hops[round(after_s * 10) :] == pytest.approx([-23.0] * len(hops[round(after_s * 10) :]), abs=0.1)


def metered_means(parts: list[tuple[float, float]], kind: int) -> Iterator[float]:
    for meter in metered(parts):
        yield lufs(float(meter.loudness.means[kind][0]))


def test_short_term_maxima_of_bursts_in_turn() -> None:
    # Case 11: i * 0.15 s silence, 3 s at -38 + i, (3 - i * 0.15) s silence, i = 0 to 19; max S = -38, -37 … -19.
    for i in range(20):
        parts = [(i * 0.15, SILENT), (3.0, -38.0 + i), (3.0 - i * 0.15, SILENT)]
        assert max(metered_means(parts, 1)) == pytest.approx(-38.0 + i, abs=0.1)


def test_momentary_maxima_of_bursts_in_turn() -> None:
    # Case 14: i * 20 ms silence, 400 ms at -38 + i, (400 - i * 20) ms silence; max M = -38, -37 … -19.
    for i in range(20):
        parts = [(i * 0.02, SILENT), (0.4, -38.0 + i), (0.4 - i * 0.02, SILENT)]
        highest = max(lufs(float(meter.loudness.momentary_max[0])) for meter in metered(parts))
        assert highest == pytest.approx(-38.0 + i, abs=0.1)


# EBU Tech 3342, Table 1: 20 s at each level, +-1 LU.
@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        pytest.param([-20.0, -30.0], 10.0, id="case 1"),
        pytest.param([-20.0, -15.0], 5.0, id="case 2"),
        pytest.param([-40.0, -20.0], 20.0, id="case 3"),
        pytest.param([-50.0, -35.0, -20.0, -35.0, -50.0], 15.0, id="case 4"),
    ],
)
def test_loudness_range(levels: list[float], expected: float) -> None:
    *_, meter = metered([(20, level) for level in levels])
    _, found = meter.loudness.whole()[0]
    assert found == pytest.approx(expected, abs=0.1)


def test_each_output_is_metered_for_itself() -> None:
    # One of two equal channels has half of the power: 3.01 LU less.
    *_, meter = metered([(5, -23.0)])
    together, left, right = (integrated for integrated, _ in meter.loudness.whole())
    assert together is not None
    assert left == pytest.approx(together - 3.01, abs=0.02)
    assert right == left
