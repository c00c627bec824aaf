"""What is kept of a performance is kept by everything that it follows from."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from residue.installation.load import load
from residue.runtime.planning.preparation import profile_key

OVEN_WATCH = Path(__file__).parents[3] / "archives" / "oven-watch"


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
