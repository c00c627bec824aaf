"""What is wrong with the time of a channel is told, and a rate that is told is the one that counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.archive.bag import seal
from residue.archive.lengths import Extent, length_findings
from residue.archive.performance import FILE_NAME, Channel, ChannelKind, write_performance
from residue.archive.prepared import prepare
from residue.mapping.signals import CONTROL_RATE_HZ, Kind, Span
from residue.problems import Severity
from tests.archive.bags import SEALED_ON, performance


def channel(file: str, **more: float) -> Channel:
    return Channel(kind=ChannelKind.MMG, file=file, **more)  # type: ignore[arg-type]


TWO = performance({"left": channel("left.wav"), "right": channel("right.wav")})


@pytest.mark.parametrize(
    ("right_s", "severity", "said"),
    [
        (300.0, None, ""),
        (299.999, None, ""),  # 3 parts in a million: nothing to tell
        (299.97, Severity.NOTES, "30 ms shorter than left, 100 parts in a million"),
        (291.0, Severity.NOTES, "ends 9.0 s before the performance does"),
        (300.0 * 44_100 / 48_000, Severity.WARNS, "44100 for 48000"),
        (150.0, Severity.WARNS, "may state its rate wrongly (twice)"),
        (300.0 * 250 / 256, Severity.WARNS, "250 for 256"),
    ],
)
def test_lengths_tell_of_clocks_and_rates(right_s: float, severity: Severity | None, said: str) -> None:
    extents = {"left": Extent(0.0, 300.0), "right": Extent(0.0, right_s)}
    found = list(length_findings("evening", TWO, extents, 300.0))
    assert [finding.severity for finding in found] == ([] if severity is None else [severity])
    assert all(said in str(finding) for finding in found)


def test_channels_of_one_file_have_one_clock() -> None:
    one = performance({"left": channel("arms.wav"), "right": channel("arms.wav")})
    extents = {"left": Extent(0.0, 300.0), "right": Extent(0.0, 299.97)}
    assert list(length_findings("evening", one, extents, 300.0)) == []


@pytest.mark.parametrize("true_hz", [1_000.0, 1_000.1, 1_024.0])
def test_the_rate_that_is_told_counts(tmp_path: Path, true_hz: float) -> None:
    """The file says 1000 Hz. A mark at its sample 6000 stands where the true rate puts it, within a tick."""
    values = np.zeros(8_000)
    values[5_990:6_011] = np.hanning(21)
    folder = tmp_path / "recorded"
    folder.mkdir()
    soundfile.write(folder / "arm.wav", values, 1_000, subtype="DOUBLE")
    text = write_performance(performance({"arm": channel("arm.wav", rate_hz=true_hz)}))
    (folder / FILE_NAME).write_text(text, encoding="utf-8")
    seal(folder, tmp_path / "bag", {}, SEALED_ON)
    prepared = prepare(tmp_path / "bag", {"arm": {Kind.SLOW}}, tmp_path / "cache")
    heard = prepared.channel("arm", Kind.SLOW)(Span(0, prepared.frames))
    assert isinstance(heard, np.ndarray)
    assert np.argmax(heard) == pytest.approx(6_000.0 / true_hz * CONTROL_RATE_HZ, abs=1.0)
