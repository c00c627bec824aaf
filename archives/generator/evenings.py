"""The six evenings of the demo, and how each becomes a sealed performance."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import edfio
import soundfile

from archives.generator import brain, heart, muscle
from archives.generator.brain import Sitting
from archives.generator.heart import Calming
from archives.generator.muscle import Evening
from residue.archive.bag import seal

KNEADING: Mapping[str, Evening] = {
    "first-batch": Evening(1, 5.0, strokes_hz=0.78, haste=1.0, pauses=(0.31, 0.58)),
    "second-batch": Evening(2, 5.5, strokes_hz=0.9, haste=1.5, pauses=(0.45,)),
    "third-batch": Evening(3, 6.0, strokes_hz=0.66, haste=0.75, pauses=(0.22, 0.47)),
}
WATCHING: Mapping[str, Calming] = {
    "early-oven": Calming(4, 7.0, from_bpm=118, to_bpm=60, half_s=42, starts_s=75, loose_at_s=None),
    "midnight-oven": Calming(5, 8.0, from_bpm=112, to_bpm=58, half_s=76, starts_s=95, loose_at_s=152.0),
    "last-oven": Calming(6, 6.5, from_bpm=124, to_bpm=61, half_s=28, starts_s=90, loose_at_s=None),
}
SITTING: Mapping[str, Sitting] = {
    "early-oven": Sitting(closing_s=23.0, begins=0.5, drowsy=0.0),
    "midnight-oven": Sitting(closing_s=24.0, begins=0.75, drowsy=1.0),
    "last-oven": Sitting(closing_s=25.0, begins=0.0, drowsy=0.3),
}
NIGHTS: Mapping[str, datetime] = {
    name: datetime(2025, 11, day, 2, 10, tzinfo=timezone(timedelta(hours=1)))
    for day, name in enumerate([*KNEADING, *WATCHING], start=4)
}
PIECES: Mapping[str, str] = {
    **dict.fromkeys(KNEADING, "night-dough"),
    **dict.fromkeys(WATCHING, "oven-watch"),
}
_ABOUT = """\
title = "{title}"
performer = "Ida Quell"
recorded = {recorded}
place = "Bakery in the yard, by night"
notes = "Invented; made by archives/generator."
"""


def make(name: str, bag: Path, minutes: float | None = None) -> None:
    """Make one performance, of another length if minutes says so, and seal it into a new bag."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        channels = _MAKERS[PIECES[name]](name, folder, minutes)
        about = _ABOUT.format(title=name.replace("-", " ").capitalize(), recorded=NIGHTS[name].isoformat())
        (folder / "performance.toml").write_text(about + channels, encoding="utf-8")
        seal(folder, bag, {"Source-Organization": "Bakery in the yard", "External-Identifier": name}, date(2026, 1, 12))


def _kneading(name: str, folder: Path, minutes: float | None) -> str:
    """Two muscle microphones in one FLAC file; returns their channels for performance.toml."""
    evening = KNEADING[name] if minutes is None else replace(KNEADING[name], minutes=minutes)
    with soundfile.SoundFile(folder / "forearms.flac", "w", muscle.RATE_HZ, 2, "PCM_16", format="FLAC") as file:
        for piece in muscle.evening_sound(evening):
            file.write(piece)
    return "".join(
        f'\n[channel.forearm_{side}]\nkind = "mmg"\nsite = "{side} forearm, flexors"\n'
        f'file = "forearms.flac"\ntrack = {track}\nunit = "g"\nfull_scale = {muscle.FULL_SCALE_G}\n'
        for track, side in enumerate(("left", "right"), start=1)
    )


def _watching(name: str, folder: Path, minutes: float | None) -> str:
    """ECG and EEG in one EDF+ file; returns their channels for performance.toml."""
    calming = WATCHING[name] if minutes is None else replace(WATCHING[name], minutes=minutes)
    chest, _ = heart.ecg(calming)
    sites = brain.eeg(calming.seed, calming.minutes, SITTING[name])
    signals = [_edf_signal("ECG chest", chest, "mV", 5.0)]
    signals += [_edf_signal(f"EEG {site}", values, "uV", 1000.0) for site, values in sites.items()]
    edfio.Edf(signals, recording=edfio.Recording(startdate=NIGHTS[name].date())).write(folder / "oven.edf")
    channels = [("chest", "ecg", "chest, lead II", "ECG chest", "mV")]
    channels += [(site.lower(), "eeg", site, f"EEG {site}", "uV") for site in sites]
    return "".join(
        f'\n[channel.{channel}]\nkind = "{kind}"\nsite = "{site}"\n'
        f'file = "oven.edf"\nsignal = "{label}"\nunit = "{unit}"\n'
        for channel, kind, site, label, unit in channels
    )


def _edf_signal(label: str, values: heart.Floats, unit: str, most: float) -> edfio.EdfSignal:
    within = values.clip(-most, most)
    return edfio.EdfSignal(within, heart.RATE_HZ, label=label, physical_dimension=unit, physical_range=(-most, most))


_MAKERS: Mapping[str, Callable[[str, Path, float | None], str]] = {"night-dough": _kneading, "oven-watch": _watching}
