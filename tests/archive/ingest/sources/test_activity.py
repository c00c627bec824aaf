"""Recordings of watches and training devices as sources."""

from __future__ import annotations

import re
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import fitdecode
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.ingest.source import IngestSource
from residue.archive.ingest.sources.catalogue import open_source
from residue.problems import ProblemError
from tests.archive.ingest.sources.fit_writer import fit
from tests.properties import spoilt, tries
from tests.reference.recordings import activities


def track(source: IngestSource, label: str) -> np.ndarray:
    stream = next(track for track in source.tracks if track.label == label).stream
    return stream.read(0, stream.length)


def tcx(*points: str) -> str:
    inner = "".join(f"<Trackpoint>{point}</Trackpoint>" for point in points)
    return f"<TrainingCenterDatabase><Activities><Track>{inner}</Track></Activities></TrainingCenterDatabase>"


def point(time: str, rate: int) -> str:
    return f"<Time>{time}</Time><HeartRateBpm><Value>{rate}</Value></HeartRateBpm>"


def opened(folder: Path, text: str) -> IngestSource:
    (folder / "a.tcx").write_text(text, encoding="utf-8")
    return open_source(folder / "a.tcx", None, folder)


def test_the_same_evening_in_both_formats_is_the_same(tmp_path: Path) -> None:
    """4078723797 of sweat 0.25.0: 8357 s, and the heart rate is what fitdecode gives, row by row."""
    folder = activities()
    tcx_source = open_source(folder / "activity_4078723797.tcx", None, tmp_path)
    fit_source = open_source(folder / "4078723797.fit", None, tmp_path)
    with fitdecode.FitReader(folder / "4078723797.fit") as frames:
        messages = [frame for frame in frames if isinstance(frame, fitdecode.FitDataMessage)]
    expected = [message.get_value("heart_rate") for message in messages if message.name == "record"]
    assert len(expected) == 8357
    for source in (tcx_source, fit_source):
        assert track(source, "heart rate").tolist() == expected
        assert {one.stream.rate_hz for one in source.tracks} == {1}
        assert source.began == datetime(2019, 9, 20, 14, 10, 3, tzinfo=UTC)
        assert source.private == ("position",)
        assert not any("position" in label for label in source.labels)
    assert track(tcx_source, "power").tolist() == track(fit_source, "power").tolist()


def test_a_recording_with_a_gap_and_uneven_rows_comes_onto_an_even_grid(tmp_path: Path) -> None:
    """3173437224 of sweat 0.25.0 has a gap of 399 s, and rows that are not whole seconds apart."""
    path = activities() / "3173437224.tcx"
    source = open_source(path, None, tmp_path)
    (told,) = source.told
    assert "even grid of 1 Hz by straight lines" in told
    text = path.read_text(encoding="utf-8")
    points = re.findall(r"<Trackpoint>.*?<Time>(.*?)</Time>.*?<HeartRateBpm.*?<Value>(\d+)</Value>", text, re.DOTALL)
    times = [datetime.fromisoformat(time) for time, _ in points]
    times_s = np.array([(time - times[0]).total_seconds() for time in times])
    found = track(source, "heart rate")
    expected = np.interp(np.arange(len(found)), times_s, [int(rate) for _, rate in points])
    there = ~np.isnan(found)
    assert np.array_equal(found[there], expected[there])
    assert 390 < np.count_nonzero(~there) < 400
    assert source.began == times[0]


def test_every_file_of_the_package_is_read(tmp_path: Path) -> None:
    for path in sorted([*activities().glob("*.tcx"), *activities().glob("*.fit")]):
        source = open_source(path, None, tmp_path)
        assert 40 <= np.nanmedian(track(source, "heart rate")) <= 190, path.name


def test_rows_whose_time_stands_are_left_out_and_told(tmp_path: Path) -> None:
    text = tcx(*(point(f"2026-02-11T22:40:0{second}Z", 60 + n) for n, second in enumerate([0, 1, 1, 2, 3])))
    source = opened(tmp_path, text)
    assert track(source, "heart rate").tolist() == [60, 61, 63, 64]
    assert source.told == ("1 rows whose time did not increase were left out",)


def test_a_file_cut_short_is_told_and_taken_on_a_persons_word(tmp_path: Path) -> None:
    for name in ("activity_5039744860.tcx", "2020-06-01-16-52-40.fit"):
        whole = open_source(activities() / name, None, tmp_path)
        path = tmp_path / name
        content = (activities() / name).read_bytes()
        path.write_bytes(content[: len(content) // 2])
        with pytest.raises(ProblemError, match=rf'cannot be read on after \d+ rows.*damaged = \["{name}"\]'):
            open_source(path, None, tmp_path)
        source = open_source(path, None, tmp_path, salvage=True)
        assert source.lost.startswith("cut short or damaged: it was read up to row")
        found = track(source, "heart rate")
        assert 20 < len(found) < len(track(whole, "heart rate"))
        assert np.array_equal(found, track(whole, "heart rate")[: len(found)], equal_nan=True)


def test_intervals_from_beat_to_beat_become_a_list(tmp_path: Path) -> None:
    (tmp_path / "a.fit").write_bytes(fit(800, 0xFFFF, 850, 810))  # 65535: nothing was measured
    source = open_source(tmp_path / "a.fit", None, tmp_path)
    assert source.beats[0].beats.intervals_s.tolist() == [0.0, 0.8, 0.85, 0.81]


def test_a_message_that_goes_beyond_the_end_that_the_header_declares_is_told(tmp_path: Path) -> None:
    content = bytearray(fit(800, 850))
    content[4] -= 1
    (tmp_path / "a.fit").write_bytes(content)
    with pytest.raises(ProblemError, match="It cannot be read on"):
        open_source(tmp_path / "a.fit", None, tmp_path)


LAUGHS = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {b} "{f"&{a};" * 30}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True)
)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "hello",
        tcx(),
        tcx("<Time>soon</Time>"),
        LAUGHS + "]>" + tcx("<Time>&j;</Time>"),
        tcx(point("2026-02-11T22:40:00Z", 60), point("2036-02-11T22:40:00Z", 60)),
        "<a>" * 100_000,
        '<?xml version="1.0" encoding="rye-8"?>' + tcx(point("2026-02-11T22:40:00Z", 60)),
        '<?xml version="1.0" encoding="utf-7"?>' + tcx(point("2026-02-11T22:40:00Z", 60)),
    ],
    ids=[
        "empty",
        "text",
        "no points",
        "no time",
        "entities that grow",
        "ten years",
        "deep",
        "no such encoding",
        "not by expat",
    ],
)
def test_what_is_no_recording_is_told(tmp_path: Path, text: str) -> None:
    with pytest.raises(ProblemError, match=r"^a\.tcx: "):
        opened(tmp_path, text)


def test_a_missing_reader_names_the_line_that_installs_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.fit").write_bytes(fit(800))
    monkeypatch.setitem(sys.modules, "fitdecode", None)
    with pytest.raises(ProblemError, match="pip install fitdecode"):
        open_source(tmp_path / "a.fit", None, tmp_path)


@given(data=st.data())
@tries(many=100)
def test_spoilt_bytes_give_a_source_or_a_problem_and_nothing_else(tmp_path: Path, data: st.DataObject) -> None:
    content = spoilt(data, (activities() / "6471559601_ACTIVITY.fit").read_bytes(), most=5)
    (tmp_path / "a.fit").write_bytes(content[: data.draw(st.sampled_from([len(content), 3000, 10]))])
    for salvage in (False, True):
        with suppress(ProblemError):
            for one in open_source(tmp_path / "a.fit", None, tmp_path, salvage=salvage).tracks:
                assert len(one.stream.read(0, min(one.stream.length, 1000))) > 0
