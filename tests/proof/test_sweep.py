from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.signal import chirp, sosfilt

from residue.loudness.calibration.check_tone import TONE_DBC
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.calibration import Calibration, offset_db
from residue.loudness.outputs.outputs import Output
from residue.proof.sweep import SWEEP_S, level_dbfs, octaves_hz, response, slots_of, sound_of, sweep
from tests.proof.simulated_room import OUTPUTS, RATE_HZ


def test_the_sweep_is_the_exponential_one() -> None:
    """Reference: scipy.signal.chirp, method "logarithmic"; the band is that of the calibration noise."""
    time_s = np.arange(round(SWEEP_S * RATE_HZ)) / RATE_HZ
    theirs = chirp(time_s, 40.0, SWEEP_S, 10_000.0, method="logarithmic", phi=-90.0)
    inside = slice(round(0.06 * RATE_HZ), -round(0.06 * RATE_HZ))  # without the fades
    assert sweep("speaker")[inside] / 2.0**0.5 == pytest.approx(theirs[inside], abs=1e-6)


def test_the_response_of_a_wire_is_one_sound_at_its_delay() -> None:
    recording = np.concatenate((np.zeros(1_000), 0.5 * sweep("speaker"), np.zeros(96_000)))
    given = response(recording, "speaker")
    assert int(np.argmax(np.abs(given))) == 1_000
    around = np.sum(given[900:1_100] ** 2) / np.sum(given**2)
    assert around > 0.95


def test_what_a_loudspeaker_distorts_arrives_before_the_response_and_not_in_it() -> None:
    """Source: Farina 2000: the k-th harmonic lies SWEEP_S ln(k) / ln(f2 / f1) earlier."""
    swept = np.concatenate((np.zeros(48_000), 0.1 * sweep("speaker"), np.zeros(96_000)))
    clean, squared = response(swept, "speaker"), response(swept + 2.0 * swept**2, "speaker")
    second = 48_000 - round(SWEEP_S * np.log(2.0) / np.log(10_000.0 / 40.0) * RATE_HZ)
    added = np.abs(squared - clean)
    assert abs(int(np.argmax(added[: 48_000 - 500])) - second) < 50
    assert added[47_900:48_100].max() < 0.02 * added[second - 50 : second + 50].max()


@pytest.mark.parametrize("transducer", ["speaker", "shaker"])
def test_it_is_as_loud_at_the_visitors_place_as_a_check_tone(transducer: str) -> None:
    read = Calibration(played_dbfs=-20.0, read_dba=84.0, read_dbc=90.0, on=date(2026, 3, 2))
    output = Output(device_channel=1, transducer=transducer, calibration=read)  # type: ignore[arg-type]
    (sent,) = sound_of({"one": output})
    swept = sent[: round(SWEEP_S * RATE_HZ)]
    weighted = sosfilt(sections(Weighting.C, RATE_HZ), swept)
    level_dbc = 10.0 * np.log10(np.mean(weighted**2)) + offset_db(read, Weighting.C, transducer)
    assert level_dbc == pytest.approx(TONE_DBC[transducer], abs=0.5)


def test_without_a_calibration_it_is_low_in_the_wire() -> None:
    assert level_dbfs(Output(device_channel=1)) == -50.0
    assert np.abs(sound_of(OUTPUTS)).max() < 10.0 ** (-46.0 / 20.0)


def test_outputs_sound_one_after_the_other_and_never_together() -> None:
    sound = sound_of(OUTPUTS)
    sounding = np.abs(sound) > 0.0
    assert (sounding.sum(axis=0) <= 1).all()
    assert [int(np.flatnonzero(one)[0]) for one in sounding] == [slot.first_frame + 1 for slot in slots_of(OUTPUTS)]


def test_only_whole_octaves_of_the_band_are_told() -> None:
    assert octaves_hz("speaker") == [62.5, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0]
    assert octaves_hz("shaker") == [31.25, 62.5]
