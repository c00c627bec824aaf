"""What was played live is what its bag plays: the same to the bit, with whatever was not received."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from residue.archive.fixity import verify
from residue.installation.load import load
from residue.live.messages import Arrival
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.problems import Severity
from residue.runtime.offline.inspection import _sensors
from tests.live.stage import Evening, arm, brain, heart, installation, play


def assert_replayed_to_the_bit(evening: Evening, cache: Path, loudest: float = 0.01) -> None:
    replayed = evening.replayed(cache)
    frames = min(evening.heard.shape[1], replayed.shape[1])
    assert np.abs(replayed).max() >= loudest
    assert np.array_equal(evening.heard[:, :frames], replayed[:, :frames])
    assert not evening.heard[:, frames:].any()
    assert not replayed[:, frames:].any()
    assert verify(evening.bag.path) == []


def with_gaps(sound: NDArray[np.float32], *gaps_s: tuple[float, float]) -> NDArray[np.float32]:
    for start_s, stop_s in gaps_s:
        sound[:, round(start_s * AUDIO_RATE_HZ) : round(stop_s * AUDIO_RATE_HZ)] = np.nan
    return sound


@pytest.mark.parametrize(("block", "fade_s"), [(4_800, 0.5), (4_800, 0.02), (777, 0.5)])
def test_a_performance_that_a_person_ends(tmp_path: Path, block: int, fade_s: float) -> None:
    folder = installation(tmp_path, fade_s=fade_s)
    evening = play(folder, arm(4.0), [*brain(4.0), *heart(4.0)], block=block, close_after_s=2.0)
    assert 2.0 < evening.bag.performance.duration_s < 3.0  # type: ignore[operator]
    assert_replayed_to_the_bit(evening, tmp_path / "cache")


def test_a_performance_that_the_form_ends(tmp_path: Path) -> None:
    evening = play(installation(tmp_path), arm(8.0, strain_from_s=2.0), [*brain(8.0), *heart(8.0)])
    assert 2.5 < evening.bag.performance.duration_s < 3.5  # type: ignore[operator]
    assert_replayed_to_the_bit(evening, tmp_path / "cache")


def test_gaps_are_bridged_without_a_step_and_kept_as_gaps(tmp_path: Path) -> None:
    sound = with_gaps(arm(6.0), (1.0, 1.02), (2.0, 2.6))
    packets = [one for one in brain(6.0) if not 1.5 < one.at_s < 2.2]
    beats = [one for one in heart(6.0) if not 1.0 < one.at_s < 3.0]
    evening = play(installation(tmp_path), sound, [*packets, *beats], close_after_s=4.0)
    assert_replayed_to_the_bit(evening, tmp_path / "cache")
    channels = evening.bag.performance.channel
    arms = [(gap.start_s, gap.length_s) for gap in channels["forearm"].bridged]
    assert arms == [(1.0, 0.02), (2.0, 0.6)]
    assert len(channels["o1"].bridged) == 2  # until the first packets came, and where some were lost
    notes = [str(note) for note in evening.prepared(tmp_path / "cache").notes]
    assert any("forearm was not received 2 times, the longest 0.6 s" in note for note in notes)


def test_a_gap_makes_no_click(tmp_path: Path) -> None:
    """A pure 25 Hz tone with a hole: what is heard of it above 1 kHz, within 60 dB of the tone. (Our own choice.)"""
    at = np.arange(4 * AUDIO_RATE_HZ)
    tone = np.tile(0.3 * np.sin(2 * np.pi * 25.0 * at / AUDIO_RATE_HZ), (2, 1)).astype(np.float32)
    whole = play(installation(tmp_path), tone, [], close_after_s=3.0).heard[0]
    (tmp_path / "other").mkdir()
    broken = play(installation(tmp_path / "other"), with_gaps(tone, (1.005, 1.4)), [], close_after_s=3.0).heard[0]

    def steps(heard: NDArray[np.float64]) -> float:
        return float(np.abs(np.diff(heard)).max())

    assert steps(broken) < 2.0 * steps(whole)


def test_nothing_but_gaps_is_a_performance_too(tmp_path: Path) -> None:
    sound = np.full((2, 5 * AUDIO_RATE_HZ), np.nan, np.float32)
    evening = play(installation(tmp_path), sound, [], close_after_s=2.0)
    assert_replayed_to_the_bit(evening, tmp_path / "cache", loudest=0.0)
    assert [gap.start_s for gap in evening.bag.performance.channel["forearm"].bridged] == [0.0]


def test_what_is_no_number_is_a_gap(tmp_path: Path) -> None:
    packets = [
        Arrival(one.address, (float("nan"), *one.numbers[1:]) if 1.0 < one.at_s < 2.0 else one.numbers, one.at_s)
        for one in brain(5.0)
    ]
    evening = play(installation(tmp_path), arm(5.0), [*packets, *heart(5.0)], close_after_s=3.0)
    assert_replayed_to_the_bit(evening, tmp_path / "cache")
    _, spoilt = evening.bag.performance.channel["o1"].bridged  # the first: until the first packets came
    assert spoilt.start_s == pytest.approx(1.0, abs=0.1)
    assert spoilt.start_s + spoilt.length_s == pytest.approx(2.0, abs=0.1)


def test_a_sensor_with_a_clock_of_its_own_is_kept_in_time(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """It sends 4 % too much, as no crystal does: the surplus is left out, told, and replayed as it was played."""
    evening = play(installation(tmp_path), arm(27.0), [*brain(27.0, rate_hz=260.0), *heart(27.0)], close_after_s=25.0)
    assert_replayed_to_the_bit(evening, tmp_path / "cache")
    assert "were dropped" in caplog.text
    assert "Channel o1 sends about 2" in caplog.text


def test_a_performance_that_is_cut_is_the_same_up_to_its_last_fade(tmp_path: Path) -> None:
    evening = play(installation(tmp_path), arm(5.0), [*brain(5.0), *heart(5.0)], cut_after_s=3.0)
    replayed = evening.replayed(tmp_path / "cache")
    frames = round(2.4 * AUDIO_RATE_HZ)
    assert np.array_equal(evening.heard[:, :frames], replayed[:, :frames])


MESSAGES_ALONE = """
title = "Two letters"
outputs = ["left", "right"]
closing_fade_s = 0.3
[node.beat]
kind = "channel"
channel = "chest"
rate = "events"
[node.knock]
kind = "strike"
input = "beat"
[node.out]
kind = "output"
input = "knock"
to = ["left", "right"]
"""


def test_a_heart_alone_by_messages_is_replayed_as_long_as_it_was(tmp_path: Path) -> None:
    """A list of beats ends with the last one; the performance did not."""
    folder = installation(tmp_path)
    (folder / "piece.toml").write_text(MESSAGES_ALONE, encoding="utf-8")
    text = (folder / "sensors.toml").read_text(encoding="utf-8")
    head, _, heart_table = text.partition("[channel.chest]")
    text = head.partition("[channel.forearm]")[0].replace('device = "pulse"', "") + "[channel.chest]" + heart_table
    (folder / "sensors.toml").write_text(text, encoding="utf-8")
    nothing = np.empty((0, 4 * AUDIO_RATE_HZ), np.float32)
    evening = play(folder, nothing, heart(1.5), close_after_s=3.0)
    assert 3.0 < evening.bag.performance.duration_s < 3.6  # type: ignore[operator]
    assert evening.prepared(tmp_path / "cache").frames >= 3 * AUDIO_RATE_HZ
    assert_replayed_to_the_bit(evening, tmp_path / "cache")


def test_slips_in_sensors_toml_are_told_by_the_check_and_stop_nothing(tmp_path: Path) -> None:
    loaded = load(installation(tmp_path))
    path = loaded.folder / "sensors.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("[channel.forearm]", "[channel.forearms]"), encoding="utf-8"
    )
    found = list(_sensors(loaded))
    assert [finding.severity for finding in found] == [Severity.WARNS]
    assert "Did you mean forearms?" in str(found[0])
