"""Lists of intervals from beat to beat."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residue.archive.performance import Channel, ChannelKind
from residue.archive.readers.beats import read_beats
from residue.problems import ProblemError


def channel(unit: str = "ms", signal: str | None = None) -> Channel:
    return Channel(kind=ChannelKind.RR, file="beats.txt", unit=unit, signal=signal)


def written(folder: Path, text: str) -> Path:
    path = folder / "beats.txt"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        pytest.param("800\n850\n810\n720\n", channel(), id="milliseconds"),
        pytest.param("0.8\n0.85\n0.81\n0.72", channel("s"), id="seconds"),
        pytest.param("# from the chest belt\nRR (ms)\n\n800\n 850\n810\n720\n", channel(), id="heading and remark"),
        pytest.param("\ufeff800\r\n850\r\n810\r\n720\r\n", channel(), id="byte-order mark and CR LF"),
        pytest.param("beat,rr\n1,800\n2,850\n3,810\n4,720\n", channel(signal="rr"), id="column of a table"),
        pytest.param("beat;rr\n1;800\n2;850\n3;810\n4;720\n", channel(signal="rr"), id="semicolons"),
        pytest.param("beat\trr\n1\t800\n2\t850\n3\t810\n4\t720\n", channel(signal="rr"), id="tabs"),
    ],
)
def test_each_beat_carries_the_interval_that_ended_there(tmp_path: Path, text: str, asked: Channel) -> None:
    beats = read_beats(written(tmp_path, text), asked)
    assert np.allclose(beats.times_s, [0, 0.8, 1.65, 2.46, 3.18], rtol=0, atol=1e-12)
    assert np.allclose(beats.intervals_s, [0, 0.8, 0.85, 0.81, 0.72], rtol=0, atol=1e-12)


@pytest.mark.parametrize("heading", ["at_s,rr", "rr_type, at_s , rr", '"at_s";"rr"'])
def test_a_list_with_times_keeps_its_pauses_however_its_heading_is_set(tmp_path: Path, heading: str) -> None:
    separator = ";" if ";" in heading else ","
    rows = [("1.0", "0"), ("1.8", "0.8"), ("30.0", "0")]
    lead = f"N{separator}" if heading.startswith("rr_type") else ""
    text = "\n".join([heading, *(lead + separator.join(row) for row in rows)])
    beats = read_beats(written(tmp_path, text), channel("s", signal="rr"))
    assert beats.times_s.tolist() == [1.0, 1.8, 30.0]
    assert beats.intervals_s.tolist() == [0.0, 0.8, 0.0]


@pytest.mark.parametrize(
    ("text", "asked", "told"),
    [
        pytest.param("", channel(), "no intervals", id="empty"),
        pytest.param("RR\n", channel(), "no intervals", id="a heading only"),
        pytest.param("800\n0,812\n", channel(), 'Line 2: "0,812"', id="decimal comma"),
        pytest.param("800\nnan\n", channel(), "Line 2: nan", id="not a number"),
        pytest.param("800\n-20\n", channel(), "Line 2: -20", id="time goes backwards"),
        pytest.param("800\n0\n", channel(), "Line 2: 0", id="no time between"),
        pytest.param("800\n812\n", channel("s"), "Line 1: 800", id="milliseconds taken for seconds"),
        pytest.param("1e999\n", channel(), "no intervals|Line 1", id="infinite"),
        pytest.param("beat,rr\n1,800\n2\n", channel(signal="rr"), "Line 3", id="short row"),
        pytest.param("beat,rr\n1,800\n", channel(signal="r"), "no column", id="no such column"),
        pytest.param('beat,rr\n1,"800\n2\n', channel(signal="rr"), "Line 3 has no", id="an open quotation mark"),
        pytest.param("beat,rr\n1," + "8" * 200_000, channel(signal="rr"), "Line 2 has more than", id="a long line"),
    ],
)
def test_a_fault_is_told_by_its_line(tmp_path: Path, text: str, asked: Channel, told: str) -> None:
    with pytest.raises(ProblemError, match=told):
        read_beats(written(tmp_path, text), asked)


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    (tmp_path / "beats.txt").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(ProblemError, match="not text"):
        read_beats(tmp_path / "beats.txt", channel())


@given(text=st.text(max_size=80), signal=st.none() | st.text(max_size=3))
def test_any_text_gives_beats_or_a_problem_and_nothing_else(tmp_path: Path, text: str, signal: str | None) -> None:
    (tmp_path / "beats.txt").write_bytes(text.encode("utf-8", "surrogatepass"))
    with suppress(ProblemError):
        beats = read_beats(tmp_path / "beats.txt", channel(signal=signal))
        assert np.all(np.diff(beats.times_s) > 0)
