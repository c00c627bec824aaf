"""How soon a piece is heard from any place, and how soon an edit: python -m tests.bench.listening [--minutes 180]

Night Dough over an evening of so many minutes, which is its first evening again and again, with sections as long. The
figures are processor time: of the whole command `residue listen` with a second of sound, and of an edit from the saved
file until it is at the place that is heard. First no place is known, then all of them are. Then those of `check` and of
`render` of a minute under the plan, as the piece is and after an edit of its last section.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import numpy as np
import soundfile

from residue.archive.bag import seal
from residue.installation.drafts import draft
from residue.mapping.signals import frame_at
from residue.runtime.listening.opening import Version, opened
from residue.runtime.listening.trail import Trail
from residue.runtime.planning.preparation import checkpoints_of, level_profile, open_performance
from tests.bench.loudness import child_s

DEMO = Path("archives/night-dough")
NAME = "first-batch"
EDITS = {
    "a level at the outputs": ("gain_db = -16\n", "gain_db = -15\n"),
    "a filter before most of it": ("high_hz = 90", "high_hz = 80"),
    "what the form listens to": ("time_s = 2.5", "time_s = 2.0"),
    "a section to come": ('"mass.gain_db" = -3.0', '"mass.gain_db" = -4.0'),
}


def long_evening(into: Path, minutes: int) -> Path:
    """Night Dough with an evening of so many minutes; the last section begins after the last but one minute."""
    recorded = into / "recorded"
    recorded.mkdir(parents=True)
    data = DEMO / "performances" / NAME / "data"
    sound, rate_hz = soundfile.read(data / "forearms.flac", dtype="int32")
    with soundfile.SoundFile(recorded / "forearms.flac", "w", rate_hz, 2, subtype="PCM_24") as file:
        for _ in range(-(-minutes * 60 * rate_hz // len(sound))):
            file.write(sound)
    (recorded / "performance.toml").write_bytes((data / "performance.toml").read_bytes())
    installation = into / "long-dough"
    (installation / "performances").mkdir(parents=True)
    seal(recorded, installation / "performances" / NAME, {}, date(2026, 3, 1))
    lines = (DEMO / "piece.toml").read_text(encoding="utf-8").splitlines(keepends=True)
    text = "".join(line for line in lines if not line.startswith(("ends =", "at_least_s")))
    first, last = text.replace("at_most_s = 120", "at_most_s = 60"), f"at_most_s = {minutes * 60 - 120}"
    (installation / "piece.toml").write_text(first.replace("at_most_s = 150", last), encoding="utf-8")
    return installation


def version(installation: Path, cache: Path) -> Version:
    loaded = draft(installation, NAME, gallery=False)
    performance = open_performance(loaded, NAME, cache)
    return Version(loaded, performance, checkpoints_of(loaded, performance, cache))


def first_sound_s(installation: Path, cache: Path, from_s: float) -> float:
    """The processor time of the whole command with a second of sound."""
    words = ("listen", str(installation), "--device", "silent", "--for-s", "1", "--from-s", str(from_s))
    return command_s(*words, cache=cache)


def edit_s(installation: Path, cache: Path, heard: Trail, edit: tuple[str, str]) -> tuple[float, int]:
    """The processor time from a saved edit until it is at the place that is heard, and how many nodes are new."""
    path = installation / "piece.toml"
    text = path.read_text(encoding="utf-8")
    assert edit[0] in text
    path.write_text(text.replace(*edit), encoding="utf-8")
    try:
        began_s = time.process_time()
        edited = version(installation, cache)
        playback, fresh = opened(edited, heard.position, heard.marks, "dough")
        Trail(edited, playback).skip_to(heard.position)
        return time.process_time() - began_s, len(fresh)
    finally:
        path.write_text(text, encoding="utf-8")


def heard_at(installation: Path, cache: Path, place_s: float) -> Trail:
    one = version(installation, cache)
    frame = frame_at(place_s)
    trail = Trail(one, opened(one, frame, (), "dough")[0])
    trail.skip_to(frame)
    return trail


def command_s(*words: str, cache: Path) -> float:
    """The processor time of a whole command."""
    return child_s([sys.executable, "-m", "residue", *words], {**os.environ, "XDG_CACHE_HOME": str(cache.parent)})


def tell_gallery(installation: Path, cache: Path, places_s: Sequence[float]) -> None:
    """What the house would play: checked, and a minute of it rendered."""
    path, sound = installation / "piece.toml", installation.with_name("minute.wav")
    text = path.read_text(encoding="utf-8")
    wanted = ("--performance", NAME, "--out", str(sound))
    for what, edit in (("as it is", ("", "")), ("edited in the last section", EDITS["a section to come"])):
        assert edit[0] in text
        path.write_text(text.replace(*edit), encoding="utf-8")
        sys.stdout.write(f"{what}: check {command_s('check', str(installation), cache=cache):.1f} s\n")
        for place_s in places_s:
            part = ("--from-s", str(place_s), "--to-s", str(place_s + 60.0))
            cost_s = command_s("render", str(installation), *wanted, *part, cache=cache)
            sys.stdout.write(f"  a minute from {place_s:6.0f} s rendered: {cost_s:.1f} s\n")
    path.write_text(text, encoding="utf-8")


def tell(installation: Path, cache: Path, places_s: Sequence[float]) -> None:
    for place_s in places_s:
        cost_s = np.median([first_sound_s(installation, cache, place_s) for _ in range(3)])
        sys.stdout.write(f"  from {place_s:6.0f} s: first sound and a second of it {cost_s:.2f} s\n")
        trail = heard_at(installation, cache, place_s)
        for what, edit in EDITS.items():
            cost_s, fresh = edit_s(installation, cache, trail, edit)
            sys.stdout.write(f"    edited {what}: {cost_s:.2f} s, {fresh} nodes begin anew\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=int, default=180)
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as folder:
        installation, cache = long_evening(Path(folder), minutes), Path(folder) / "residue"
        began_s = time.process_time()
        one = version(installation, cache)
        sys.stdout.write(f"preparing {minutes} min: {time.process_time() - began_s:.1f} s\n")
        places_s = (0.0, 30.0 * minutes + 40.0, 50.0 * minutes + 40.0)
        sys.stdout.write("nothing known:\n")
        tell(installation, cache, places_s)
        began_s = time.process_time()
        level_profile(one.installation, one.performance, cache)
        sys.stdout.write(f"levels and checkpoints of all places: {time.process_time() - began_s:.1f} s\n")
        tell(installation, cache, places_s)
        room, hours = ((DEMO / name).read_text(encoding="utf-8") for name in ("room.toml", "hours.toml"))
        (installation / "room.toml").write_text(room, encoding="utf-8")
        alone = re.sub(r"performances = .*", f'performances = ["{NAME}"]', hours)
        (installation / "hours.toml").write_text(alone, encoding="utf-8")
        tell_gallery(installation, cache, places_s)


if __name__ == "__main__":
    main()
