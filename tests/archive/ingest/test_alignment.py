"""When sources began that were recorded apart."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import msgspec
import numpy as np
import pytest
from scipy import signal

from residue.archive.ingest.alignment import CLEAR, find_lag, starts
from residue.archive.ingest.describe import Align, Description
from residue.archive.ingest.source import IngestSource, Track
from residue.archive.performance import Channel, Mark
from residue.problems import ProblemError
from tests.archive.streams import held_stream
from tests.reference.recordings import ecg_systole

BEGAN = datetime(2026, 2, 11, 23, 40)  # noqa: DTZ001 - recorders know no offset


def source(
    name: str, *, began: datetime | None = None, marks: tuple[Mark, ...] = (), track: Track | None = None
) -> IngestSource:
    return IngestSource(Path(name), (track,) if track else (), began=began, marks=marks)


def description(*align: Align) -> Description:
    return Description(title="x", channel={"a": Channel(kind="emg", file="a")}, align=list(align))  # type: ignore[arg-type]


def seconds(sources: list[IngestSource], *align: Align) -> dict[str, float]:
    found = starts({one.path.name: one for one in sources}, description(*align))
    return {name: start.seconds for name, start in found.items()}


def test_clocks_tell_where_all_have_one() -> None:
    sources = [source("a", began=BEGAN + timedelta(seconds=7.5)), source("b", began=BEGAN)]
    assert seconds(sources) == {"a": 7.5, "b": 0.0}


def test_without_clocks_all_begin_together() -> None:
    assert seconds([source("a", began=BEGAN), source("b")]) == {"a": 0.0, "b": 0.0}


def test_a_stated_offset_and_a_mark_lead_from_source_to_source() -> None:
    clap = [
        source("a"),
        source("b", marks=(Mark(at_s=4.0, text="clap"),)),
        source("c", marks=(Mark(at_s=1.5, text="clap"),)),
    ]
    found = seconds(clap, Align(file="c", to="b", mark="clap"), Align(file="b", to="a", offset_s=-3.0))
    assert found == {"a": 3.0, "b": 0.0, "c": 2.5}


def test_sources_aligned_in_a_circle_are_told() -> None:
    with pytest.raises(ProblemError, match="circular"):
        seconds([source("a"), source("b")], Align(file="a", to="b", offset_s=1), Align(file="b", to="a", offset_s=1))


def test_a_mark_that_stands_nowhere_or_twice_is_told() -> None:
    twice = (Mark(at_s=1.0, text="clap"), Mark(at_s=2.0, text="clap"))
    with pytest.raises(ProblemError, match="2 times"):
        seconds([source("a", marks=twice), source("b", marks=twice)], Align(file="a", to="b", mark="clap"))
    with pytest.raises(ProblemError, match="Did you mean clap"):
        seconds([source("a", marks=twice), source("b", marks=twice[:1])], Align(file="a", to="b", mark="clep"))


def track(values: np.ndarray, rate_hz: int) -> Track:
    return Track("ecg", held_stream(values, rate_hz))


@pytest.mark.parametrize("late_s", [-7.25, -0.013, 0.0, 3.5, 21.7])
@pytest.mark.parametrize("leads", [1.0, -2.5], ids=["same leads", "leads exchanged, other gain"])
def test_a_heart_recorded_by_two_devices_tells_when_they_began(late_s: float, leads: float) -> None:
    """One real ECG cut at two moments, the second at another rate, with noise and drift of its own."""
    ecg = ecg_systole()["ecg"][100_000:220_000]
    rng = np.random.default_rng(8)
    first, second = 30_000, round(30_000 + late_s * 1000)
    here = ecg[first : first + 60_000]
    there = leads * ecg[second : second + 60_000] + rng.normal(0, 0.05, 60_000) + np.linspace(0, 3, 60_000)
    resampled_there = signal.resample(there, 60_000 // 1000 * 250)
    lag = find_lag(track(np.asarray(resampled_there), 250), track(here, 1000), within_s=30.0)
    assert lag.seconds == pytest.approx(late_s, abs=0.002)
    assert np.sign(lag.correlation) == np.sign(leads)


def test_a_clap_is_found_clearly_and_unlike_signals_are_refused() -> None:
    rng = np.random.default_rng(9)
    clap = rng.normal(0, 1, 200) * np.exp(-np.arange(200) / 40)
    here, there = rng.normal(0, 0.02, (2, 20_000))
    here[5000:5200] += clap
    there[8000:8200] += clap
    found = find_lag(track(there, 1000), track(here, 1000), within_s=10)
    assert found.seconds == pytest.approx(-3.0, abs=0.001)
    assert found.confidence >= CLEAR
    assert "clearly" in str(found)
    alone = {"a": source("a", track=track(rng.normal(size=20_000), 1000))}
    alone["b"] = source("b", track=track(rng.normal(size=20_000), 1000))
    align = Align(file="a", to="b", signals=["ecg", "ecg"])
    with pytest.raises(ProblemError, match="show different signals"):
        starts(alone, description(align))


def test_a_signal_that_is_not_there_is_told() -> None:
    sources = [source("a", track=track(np.zeros(100), 1000)), source("b", track=track(np.zeros(100), 1000))]
    with pytest.raises(ProblemError, match="Did you mean ecg"):
        seconds(sources, Align(file="a", to="b", signals=["ekg", "ecg"]))
    with pytest.raises(ProblemError, match="show different signals"):
        seconds(sources, Align(file="a", to="b", signals=["ecg", "ecg"]))


@pytest.mark.parametrize("given", [{}, {"offset_s": 1.0, "mark": "clap"}], ids=["nothing", "two ways"])
def test_an_alignment_is_told_in_one_way(given: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="Write one of them"):
        Align(file="a", to="b", **given)  # type: ignore[arg-type]


def test_a_clock_in_utc_and_one_of_the_place_stand_together_by_the_offset_of_the_place() -> None:
    there = timezone(timedelta(hours=1))
    sources = {"a": source("a", began=BEGAN.replace(tzinfo=there).astimezone(UTC)), "b": source("b", began=BEGAN)}
    told = msgspec.structs.replace(description(), recorded=BEGAN.replace(tzinfo=there))
    assert {name: start.seconds for name, start in starts(sources, told).items()} == {"a": 0.0, "b": 0.0}
    with pytest.raises(ProblemError, match=r"a tells its time in UTC, b by a clock.*with the offset from UTC"):
        starts(sources, description())
