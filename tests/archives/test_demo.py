"""The demo's bags are whole and small, and their generator makes them again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy import signal

from archives.generator import evenings, heart, muscle
from residue.archive.bag import open_bag
from residue.archive.fixity import is_valid, verify
from residue.archive.readers.catalogue import open_channel
from residue.mapping.nodes import KINDS
from residue.mapping.signals import CONTROL_RATE_HZ, FRAMES_PER_TICK
from tests.mapping.single import run

ARCHIVES = Path(__file__).parents[2] / "archives"
LARGEST_BYTES = 24_000_000
"""What the demo was granted of a checkout."""

Floats = NDArray[np.float64]


def bag(name: str) -> Path:
    return ARCHIVES / evenings.PIECES[name] / "performances" / name


def channels(path: Path) -> dict[str, Floats]:
    """Every channel of a bag, in its physical unit."""
    opened = open_bag(path)
    streams = {name: open_channel(opened.file_of(name), facts) for name, facts in opened.performance.channel.items()}
    return {name: stream.read(0, stream.length) for name, stream in streams.items()}


@pytest.mark.parametrize("name", evenings.PIECES)
def test_every_bag_is_complete_and_unchanged(name: str) -> None:
    assert is_valid(verify(bag(name)))


@pytest.mark.parametrize("name", evenings.PIECES)
def test_an_evening_lasts_four_to_eight_minutes(name: str) -> None:
    opened = open_bag(bag(name))
    for channel, facts in opened.performance.channel.items():
        stream = open_channel(opened.file_of(channel), facts)
        assert 240.0 <= stream.length / float(stream.rate_hz) <= 480.0


def test_three_evenings_of_each_are_all_there_is_and_they_are_small() -> None:
    there = {path.name for path in ARCHIVES.glob("*/performances/*")}
    assert there == set(evenings.PIECES)
    assert sum(path.stat().st_size for path in ARCHIVES.rglob("*") if path.is_file()) <= LARGEST_BYTES


@pytest.mark.parametrize("name", ["third-batch", "last-oven"])
def test_the_same_seed_gives_the_same_bag(name: str, tmp_path: Path) -> None:
    for folder in ("once", "twice"):
        evenings.make(name, tmp_path / folder, minutes=0.5)
    assert open_bag(tmp_path / "once").digest == open_bag(tmp_path / "twice").digest


@pytest.mark.parametrize(
    "name",
    [
        "first-batch",
        "early-oven",
        *(pytest.param(name, marks=pytest.mark.long) for name in evenings.WATCHING if name != "early-oven"),
    ],
)
def test_the_generator_makes_again_what_is_checked_in(name: str, tmp_path: Path) -> None:
    # Not by checksum: another processor's libm may round the last bit of a sample otherwise.
    evenings.make(name, tmp_path / name)
    again, kept = channels(tmp_path / name), channels(bag(name))
    assert again.keys() == kept.keys()
    for channel, values in kept.items():
        step = np.diff(np.unique(values)).min()
        assert again[channel].shape == values.shape
        assert np.abs(again[channel] - values).max() <= 1.01 * step


def test_the_evenings_of_a_piece_differ() -> None:
    for piece in set(evenings.PIECES.values()):
        digests = {open_bag(bag(name)).digest for name in evenings.PIECES if evenings.PIECES[name] == piece}
        assert len(digests) == 3


@pytest.mark.parametrize(
    ("effort", "lowest_hz", "highest_hz"),
    [
        # Mean frequency 11 Hz at low effort, 15 Hz at 80 %, 22 Hz at 100 % of the greatest (Orizio et al., J Appl
        # Physiol 68 (1990) 508-512); 25 +- 2.5 Hz whatever the effort (Oster and Jaffe, Biophys J 30 (1980) 119-127).
        # The two disagree, so a plausible sound may lie anywhere from the one to the other.
        pytest.param(0.1, 9.0, 27.5, id="low"),
        pytest.param(0.5, 11.0, 27.5, id="half"),
        pytest.param(1.0, 15.0, 27.5, id="full"),
    ],
)
def test_muscle_sound_is_strongest_where_it_was_measured(
    effort: float, lowest_hz: float, highest_hz: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(muscle, "effort", lambda evening, arm, at_s, wander: np.full(len(at_s), effort))
    sound = muscle.Arm(evenings.KNEADING["first-batch"], 0).sound(0, 20 * muscle.RATE_HZ)
    frequency_hz, power = signal.welch(sound, muscle.RATE_HZ, nperseg=4096)
    band = (frequency_hz >= 5) & (frequency_hz <= 100)  # the usual band-pass of mechanomyography
    strongest_hz = frequency_hz[band][power[band].argmax()]
    assert lowest_hz <= strongest_hz <= highest_hz


def test_muscle_sound_grows_until_the_arms_rest() -> None:
    for name in evenings.KNEADING:
        sound, _ = soundfile.read(bag(name) / "data" / "forearms.flac")
        kneaded = sound[: -round(muscle.REST_S * muscle.RATE_HZ)]
        fifths = [np.sqrt(np.mean(part**2)) for part in np.array_split(kneaded, 5)]
        assert fifths == sorted(fifths)


@pytest.mark.parametrize("name", evenings.WATCHING)
def test_the_heart_falls_from_work_to_rest(name: str) -> None:
    # 60 to 100 beats a minute at rest is clinical convention, from memory.
    _, beats_s = heart.ecg(evenings.WATCHING[name])
    rate = 60.0 / np.diff(beats_s)
    assert 100.0 <= np.median(rate[:30]) <= 130.0
    assert 55.0 <= np.median(rate[-30:]) <= 70.0


@pytest.mark.parametrize("effort", [0.1, 0.5, 1.0])
def test_the_conditioning_of_a_piece_leaves_the_muscle_its_frequency(
    effort: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Behind the notch and the band of Night Dough the strongest frequency is the one that went in, and published."""
    monkeypatch.setattr(muscle, "effort", lambda evening, arm, at_s, wander: np.full(len(at_s), effort))
    sound = muscle.Arm(evenings.KNEADING["first-batch"], 0).sound(0, 20 * muscle.RATE_HZ)
    slow = signal.resample_poly(sound, CONTROL_RATE_HZ, muscle.RATE_HZ)
    conditioned = slow
    for node in (KINDS["notch"](input="a", mains_hz=50.0), KINDS["bandpass"](input="a", low_hz=7.0, high_hz=90.0)):
        given = run(node, {"input": conditioned}, len(slow) * FRAMES_PER_TICK)
        assert isinstance(given, np.ndarray)
        conditioned = given

    def strongest_hz(values: Floats) -> float:
        frequency_hz, power = signal.welch(values, CONTROL_RATE_HZ, nperseg=4_000)
        band = (frequency_hz >= 7) & (frequency_hz <= 100)
        return float(frequency_hz[band][power[band].argmax()])

    assert strongest_hz(conditioned) == pytest.approx(strongest_hz(slow), abs=1.0)
    assert 9.0 <= strongest_hz(conditioned) <= 27.5  # Orizio (1990), Oster and Jaffe (1980); see above
