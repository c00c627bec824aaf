"""A fingerprint: a short text that identifies a sound, and shows how far another sound differs.

For each output it contains the SHA-256 of all samples and, for every PART_S, a digest and a few sums. In a sum each
sample has a random sign, which is always the same. The difference of two sounds has the difference of their sums, and
the square of a sum over random signs is on average the sum of squares. So from the sums of two sounds the energy of
their difference follows, although only one of the sounds is there. Source: Alon, Matias and Szegedy, J Comput Syst Sci
58 (1999) 137-147 (second moment by random signs).
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from math import log10, sqrt
from pathlib import Path

import msgspec
import numpy as np
import scipy
import tomlkit
from numpy.typing import NDArray

import residue
from residue.archive.beside import asked_for
from residue.checking import check, read_toml
from residue.mapping.signals import AUDIO_RATE_HZ
from residue.problems import ProblemError

PART_S = 10
PART_FRAMES = PART_S * AUDIO_RATE_HZ
_SUMS = 4
_STEPS = 2.0**24
"""Samples are summed in steps of full scale / 2**24, as integers, so that no order of summing changes a sum."""
_SIGN_SEED = 1
LOWEST_DB = -150.0
"""A difference whose sums are all zero is below this."""

WavSamples = NDArray[np.float32]


class FingerprintPart(msgspec.Struct, frozen=True, array_like=True):
    """PART_S of one output, or the rest at the end."""

    digest: str
    sums: list[int]


class OutputFingerprint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One output: the SHA-256 of its samples as 32-bit floats, least significant byte first, and its parts."""

    sha256: str
    part: list[FingerprintPart]


class Sources(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The SHA-256 of the sources of the sound: piece.toml and the files it names, the bag, and the room."""

    piece: str
    bag: str
    room: str


class Versions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The versions of the software and the machine that rendered it, to find the cause if the bits ever differ."""

    residue: str
    numpy: str
    scipy: str
    python: str
    machine: str

    def unlike(self, other: Versions) -> Iterator[tuple[str, str, str]]:
        """Each that differs: its name, the one here, and the one in `other`."""
        for name in self.__struct_fields__:
            own, others = getattr(self, name), getattr(other, name)
            if own != others:
                yield name, own, others


class Fingerprint(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The identity of a rendered sound, and the software that rendered it.

    gain_db: that of the plan; without it for a render before the cap.
    node: the one node that was rendered alone.
    """

    piece: str
    performance: str
    from_frame: int
    frames: int
    sources: Sources
    versions: Versions
    output: dict[str, OutputFingerprint]
    gain_db: float | None = None
    node: str | None = None


def versions() -> Versions:
    """The versions of this program on this machine."""
    return Versions(
        residue=residue.__version__,
        numpy=np.__version__,
        scipy=scipy.__version__,
        python=platform.python_version(),
        machine=platform.machine(),
    )


def sounds(blocks: Iterable[NDArray[np.float64]], outputs: Sequence[str]) -> tuple[dict[str, OutputFingerprint], int]:
    """The outputs of a render, block by block (outputs, frames), and its number of frames."""
    whole = [hashlib.sha256() for _ in outputs]
    parts: list[list[FingerprintPart]] = [[] for _ in outputs]
    waiting = np.empty((len(outputs), 0), np.float32)
    frames = 0
    for block in blocks:
        frames += block.shape[1]
        waiting = np.concatenate((waiting, block.astype(np.float32)), axis=1)
        while waiting.shape[1] >= PART_FRAMES:
            _take(waiting[:, :PART_FRAMES], whole, parts)
            waiting = waiting[:, PART_FRAMES:]
    if waiting.shape[1]:
        _take(waiting, whole, parts)
    found = zip(outputs, whole, parts, strict=True)
    return {name: OutputFingerprint(digest.hexdigest(), part) for name, digest, part in found}, frames


def _take(samples: WavSamples, whole: Sequence[hashlib._Hash], parts: Sequence[list[FingerprintPart]]) -> None:
    for channel, digest, part in zip(samples, whole, parts, strict=True):
        content = channel.astype("<f4").tobytes()
        digest.update(content)
        steps = np.rint(channel.astype(np.float64) * _STEPS).astype(np.int64)
        sums = [int(np.add.reduce(np.where(signs[: len(steps)], steps, -steps))) for signs in _signs()]
        part.append(FingerprintPart(hashlib.sha256(content).hexdigest()[:16], sums))


@cache
def _signs() -> NDArray[np.bool_]:
    """(_SUMS, PART_FRAMES): signs from the bits of PCG64, a stream that numpy promises to keep."""
    words = np.random.PCG64(_SIGN_SEED).random_raw(_SUMS * PART_FRAMES // 64).astype("<u8")
    return np.unpackbits(words.view(np.uint8), bitorder="little").reshape(_SUMS, PART_FRAMES).astype(np.bool_)


def difference_db(one: Sequence[FingerprintPart], other: Sequence[FingerprintPart], frames: int) -> float:
    """The level of the difference over some parts that have so many frames, in dBFS (a full-scale sine: -3.01).

    It is an estimate, mostly within 3 dB for one part and more exact over many; LOWEST_DB for smaller differences.
    """
    ours, theirs = ([total for part in parts for total in part.sums] for parts in (one, other))
    return _level_db([a - b for a, b in zip(ours, theirs, strict=True)], frames)


def level_db(parts: Sequence[FingerprintPart], frames: int) -> float:
    """The level of the sound itself over some parts, estimated in the same way."""
    return _level_db([total for part in parts for total in part.sums], frames)


def _level_db(sums: Sequence[int], frames: int) -> float:
    root = sqrt(sum(total * total for total in sums) / _SUMS / frames) / _STEPS
    return max(LOWEST_DB, 20.0 * log10(root)) if root else LOWEST_DB


def write(fingerprint: Fingerprint, path: Path) -> None:
    """Writes the fingerprint as TOML. Raises ProblemError."""
    with asked_for(path) as making:
        making.write_text(fingerprint_text(fingerprint), encoding="utf-8")


def fingerprint_text(fingerprint: Fingerprint) -> str:
    """The fingerprint as TOML, with comments for people."""
    document = tomlkit.document()
    document.add(
        tomlkit.comment("What residue rendered. To compare: residue verify --fingerprint THIS_FILE INSTALLATION")
    )
    document.add(
        tomlkit.comment("A sha256 is that of an output's samples as 32-bit floats, least significant byte first.")
    )
    plain = msgspec.to_builtins(fingerprint)
    for key, value in plain.items():
        if key != "output" and value is not None:
            document.add(key, tomlkit.item(value))
    document.add("output", tomlkit.item({name: _table(sound) for name, sound in plain["output"].items()}))
    return tomlkit.dumps(document)


def _table(sound: dict[str, object]) -> dict[str, object]:
    parts = tomlkit.array()
    parts.extend(sound["part"])  # type: ignore[arg-type]
    return {**sound, "part": parts.multiline(True)}  # noqa: FBT003  the library's own way to say so


def read(path: Path) -> Fingerprint:
    """Reads a fingerprint from TOML. Raises ProblemError."""
    raw, findings = read_toml(path)
    if not findings:
        found, findings = check(raw, Fingerprint, path.name)
        if found is not None:
            return found
    raise ProblemError(findings)
