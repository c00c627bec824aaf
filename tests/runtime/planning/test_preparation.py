"""What is kept of a performance is kept by everything that it follows from."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import cast

import numpy as np
import pytest
import soundfile

from residue.installation.load import load
from residue.loudness.plan.plan import Lowering
from residue.mapping.playback import Playback
from residue.runtime.planning.preparation import lower_further, lowered, profile_key
from tests.runtime.stubs import Hum

OVEN_WATCH = Path(__file__).parents[3] / "archives" / "oven-watch"
NIGHT_DOUGH = OVEN_WATCH.with_name("night-dough")


def key_of(folder: Path) -> str:
    return profile_key(load(folder), "a bag's digest")


STRIKE = 'kind = "strike"\n'
CELLAR = '[node.cellar]\nkind = "recorded_space"\ninput = "knock"\nrecording = "knock.wav"\nchannels = 1\n'


@pytest.mark.parametrize(
    ("old", "new"),
    [(STRIKE, STRIKE + 'recording = "knock.wav"\n'), ("[[section]]", CELLAR + "\n[[section]]")],
    ids=["strike", "recorded_space"],
)
def test_another_recording_under_the_same_name_is_another_profile(tmp_path: Path, old: str, new: str) -> None:
    folder = tmp_path / "oven-watch"
    shutil.copytree(OVEN_WATCH, folder, ignore=shutil.ignore_patterns("data"))
    piece = (folder / "piece.toml").read_text(encoding="utf-8")
    assert old in piece
    (folder / "piece.toml").write_text(piece.replace(old, new, 1), encoding="utf-8")
    keys = []
    for level in (0.5, 0.5, 0.25):
        soundfile.write(folder / "knock.wav", np.full(480, level), 48_000)
        keys.append(key_of(folder))
    assert keys[0] == keys[1] != keys[2]
    assert key_of(OVEN_WATCH) not in keys


def test_a_later_plan_lowers_some_outputs_of_what_plays_within_a_second_and_raises_none() -> None:
    installation, playback = load(NIGHT_DOUGH), cast(Playback, Hum(48_000 * 60))
    lowered(playback, installation, Lowering(alone_db={"floor": -3.0, "left": -6.0}))
    playback.step(48_000)
    lower_further(playback, installation, Lowering(alone_db={"floor": -9.0}))
    assert playback.gains is not None
    given = np.concatenate(
        [playback.gains(48_000 + start, frames) for start, frames in ((0, 100), (100, 49_000))], axis=1
    )
    at = {name: 20 * np.log10(given[number]) for number, name in enumerate(installation.piece.outputs)}
    assert at["floor"][[0, -1]] == pytest.approx([-3.0, -9.0], abs=0.01)
    assert np.all(np.diff(given, axis=1) <= 1e-12), "nothing rises"
    assert np.max(np.abs(np.diff(given, axis=1))) < 1e-4, "and nothing clicks"
    assert (np.ptp(at["left"]), at["left"][0], at["right"][-1]) == (0.0, pytest.approx(-6.0), 0.0)
