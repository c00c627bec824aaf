"""The demo's gallery versions: the same bits for every block, and their loudness beside independent meters.

ffmpeg's ebur128 (libebur128) and pyloudnorm are independent of this project; both have to agree within 0.1 LU.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
from pathlib import Path

import pyloudnorm
import pytest
import soundfile

from residue.installation.load import load
from residue.loudness.meters.measure import measure
from residue.runtime.offline.rendering import Excerpt
from residue.runtime.planning.preparation import open_performance
from tests.reference.rendering import render_to_wav

ARCHIVES = Path(__file__).parents[2] / "archives"


def render(piece: str, name: str, folder: Path, block_frames: int, seconds: float | None) -> Path:
    """Through the cap at 3 dB below full; the channels left and right alone, as a stereo file."""
    installation = load(ARCHIVES / piece)
    performance = open_performance(installation, name, folder / "cache")
    out = folder / f"{name}-{block_frames}.wav"
    excerpt = Excerpt(0, None if seconds is None else round(seconds * 48_000))
    render_to_wav(installation, performance, out, block_frames=block_frames, excerpt=excerpt, gain_db=-3.0)
    return out


@pytest.mark.parametrize(
    ("piece", "name"),
    [("night-dough", "second-batch"), pytest.param("oven-watch", "last-oven", marks=pytest.mark.long)],
)
def test_blocks_of_any_length_give_the_same_file(piece: str, name: str, tmp_path: Path) -> None:
    digests = set()
    for block_frames in (64, 480, 1_000, 8_192):
        frames, _ = soundfile.read(render(piece, name, tmp_path, block_frames, 1.0), dtype="float32")
        assert abs(frames).max() > 0.0
        digests.add(hashlib.sha256(frames.tobytes()).hexdigest())
    assert len(digests) == 1


@pytest.mark.parametrize("seconds", [30.0, pytest.param(None, marks=pytest.mark.long, id="whole")])
@pytest.mark.parametrize(("piece", "name"), [("night-dough", "first-batch"), ("oven-watch", "early-oven")])
def test_loudness_of_a_render_beside_two_other_meters(
    piece: str, name: str, seconds: float | None, tmp_path: Path
) -> None:
    frames, rate_hz = soundfile.read(render(piece, name, tmp_path, 16_384, seconds))
    stereo = tmp_path / "stereo.wav"
    soundfile.write(stereo, frames[:, :2], rate_hz, subtype="FLOAT")
    ours = measure(stereo).integrated_lufs
    told = subprocess.run(
        ["ffmpeg", "-nostats", "-i", stereo, "-filter_complex", "ebur128", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    theirs = float(re.findall(r"I:\s+(-?[\d.]+) LUFS", told)[-1])
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")  # its default lies 0.04 dB off BS.1770's coefficients
    assert ours is not None
    assert ours == pytest.approx(theirs, abs=0.1)
    assert ours == pytest.approx(meter.integrated_loudness(frames[:, :2]), abs=0.1)
