"""Rates that a kind of signal cannot have been recorded with."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.archive.ingest.describe import Description
from residue.archive.ingest.facts import TableFacts
from residue.archive.ingest.rates import rate_doubt
from residue.archive.ingest.run import ingest
from residue.archive.performance import Channel, ChannelKind
from residue.problems import ProblemError

ON = date(2026, 3, 1)


@pytest.mark.parametrize(
    ("kind", "rate_hz", "likely"),
    [
        (ChannelKind.EMG, 1.0, False),
        (ChannelKind.EMG, 200.0, True),
        (ChannelKind.ECG, 10.0, False),
        (ChannelKind.ECG, 125.0, True),
        (ChannelKind.EDA, 4.0, True),
        (ChannelKind.TEMP, 1 / 60, True),
        (ChannelKind.AUDIO, 192_000.0, True),
        (ChannelKind.EEG, 1e6, False),
    ],
)
def test_a_rate_is_likely_or_not(kind: ChannelKind, rate_hz: float, likely: bool) -> None:  # noqa: FBT001
    """The likely ones are rates of sensors on the market; from memory."""
    assert (rate_doubt(kind, rate_hz) == "") is likely


def test_a_guessed_unit_that_gives_no_likely_rate_is_refused(tmp_path: Path) -> None:
    """Half milliseconds, which would be 2 Hz in seconds."""
    table = tmp_path / "a.csv"
    table.write_text("t,arm\n" + "".join(f"{row / 2},{row}\n" for row in range(2000)), encoding="utf-8")
    arm = Channel(kind=ChannelKind.EMG, file="a.csv", signal="arm")

    def described(time_unit: str | None) -> Description:
        return Description(title="x", channel={"arm": arm}, table={"a.csv": TableFacts(time="t", time_unit=time_unit)})

    with pytest.raises(ProblemError, match=r'taken for seconds, but 2 Hz is too slow for emg.*time_unit = "ms"'):
        ingest([table], tmp_path / "bag", described(None), ON)
    done = ingest([table], tmp_path / "bag", described("ms"), ON)
    assert "2000 Hz" in done.report
    assert "\n  usable\n" in done.report


def test_a_rate_that_is_stated_and_not_likely_is_pointed_out(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.sin(np.arange(400)), 8)
    heart = Channel(kind=ChannelKind.ECG, file="a.wav")
    done = ingest([tmp_path / "a.wav"], tmp_path / "bag", Description(title="x", channel={"heart": heart}), ON)
    assert "8 Hz is too slow for ecg, at least 50 Hz are usual" in done.report
    heart = Channel(kind=ChannelKind.ECG, file="a.wav", rate_hz=80)
    done = ingest([tmp_path / "a.wav"], tmp_path / "other", Description(title="x", channel={"heart": heart}), ON)
    assert "too slow" not in done.report
