"""Expands a calendar file in a process of its own, with bounded time and memory.

Any program may have written the file, and a rule that repeats without end keeps the libraries busy for ever. So only a
child process reads it, and a file that takes too long is refused in one line.
"""

from __future__ import annotations

import datetime as dt
import resource
import subprocess
import sys
from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import msgspec

from residue.problems import Finding, ProblemError, stopping
from residue.processes import command_of
from residue.records import SpoiltRecordError, decode_record, encode_record, read_record
from residue.schedule.calendar_file import MOST_BYTES, CalendarFile, Said, TakenTitle, digest_of
from residue.schedule.opening import EventTerms
from residue.schedule.spans import instant, local
from residue.schedule.tables import ALWAYS_KNOWN, EventWords
from residue.schedule.tour import zone_called
from residue.small_files import read_small

FILE_NAME = "hours-expanded.json"
"""The file beside a kept calendar file with its computed openings, so that a start need not compute them again."""


class Bounds(msgspec.Struct, frozen=True, kw_only=True):
    """The limits of a child process. Our own: the largest file, 5,000 events, takes 3 s on a fast computer."""

    cpu_s: int = 20
    wait_s: float = 60.0
    memory_bytes: int = 1 << 30


BOUNDS = Bounds()
MOST_PIECES = 50_000
"""Openings in a chunk of two years: 68 a day."""
_CHUNK_YEARS = 2


class Chunk(msgspec.Struct, frozen=True, kw_only=True):
    """All events in some whole years, from `year` on; events across their edges are whole."""

    year: int
    said: tuple[Said, ...]


class Expansion(msgspec.Struct, frozen=True, kw_only=True, tag="expansion"):
    """A reliable calendar file.

    digest: that of its text. zone: for times without a zone. words: the curator's own.
    """

    digest: str
    zone: str
    words: EventWords
    terms: tuple[tuple[EventTerms, str], ...]
    findings: tuple[Finding, ...]
    titles: tuple[TakenTitle, ...]
    chunks: tuple[Chunk, ...]


class Refusal(msgspec.Struct, frozen=True, kw_only=True, tag="refusal"):
    """An unreliable calendar file."""

    findings: tuple[Finding, ...]


class _Answer(msgspec.Struct, frozen=True, kw_only=True):
    either: Expansion | Refusal


class _Question(msgspec.Struct, frozen=True, kw_only=True):
    path: str
    zone: str
    known: list[str] | None
    words: EventWords
    year: int
    bounds: Bounds


def expanded(
    path: Path,
    zone: ZoneInfo,
    known: Collection[str] | None = None,
    words: EventWords = ALWAYS_KNOWN,
    bounds: Bounds = BOUNDS,
) -> CalendarFile:
    """The openings of a calendar file; times that name no zone are meant in `zone`.

    known: the performances that there are; events may name no others.
    words: the curator's own, beside those that are always known.
    Raises ProblemError with everything that is wrong, by line and date.
    """
    asked_first = _chunk_of(dt.datetime.now(zone).date())  # a hint that saves time: every hint gives the same openings
    return _File(path, zone, _asked(path, zone, known, words, asked_first, bounds)).as_calendar_file()


def kept(path: Path, zone: ZoneInfo, words: EventWords = ALWAYS_KNOWN) -> CalendarFile | None:
    """The computed openings beside a kept calendar file, if they belong to exactly this file."""
    with suppress(OSError, SpoiltRecordError, ValueError):
        found = read_record(path.with_name(FILE_NAME), Expansion)
        text = read_small(path, MOST_BYTES)
        if (found.digest, found.zone, found.words) == (digest_of(text), zone.key, words):
            return _File(path, zone, found).as_calendar_file()
    return None


class _File:
    """Answers from an expansion, and expands further years on demand."""

    def __init__(self, path: Path, zone: ZoneInfo, found: Expansion) -> None:
        self._path, self._zone, self._found = path, zone, found
        self._chunks = {chunk.year: self._localised(chunk.said) for chunk in found.chunks}
        self._refused: dict[int, ProblemError] = {}
        """By year, so that nobody who asks many times a second begins a child each time."""

    def as_calendar_file(self) -> CalendarFile:
        found = self._found
        return CalendarFile(
            self.said,
            found.digest,
            dict(found.terms),
            found.findings,
            found.titles,
            lambda: encode_record(self._found),
            self._refused.clear,
        )

    def said(self, first: dt.date, days: int) -> list[Said]:
        """Every event that counts during some local days."""
        begin = instant(first, 0, self._zone)
        end = instant(first + dt.timedelta(days=days), 0, self._zone)
        first_year, last_year = _chunk_of(first), _chunk_of(first + dt.timedelta(days=days - 1))
        found = list(self._chunk(first_year))
        for year in range(first_year + _CHUNK_YEARS, last_year + 1, _CHUNK_YEARS):
            new_year = instant(dt.date(year, 1, 1), 0, self._zone)  # events from before it are there already
            found += [one for one in self._chunk(year) if one.piece.opens >= new_year]
        return [one for one in found if one.piece.opens < end and one.piece.closes > begin]

    def _chunk(self, year: int) -> Sequence[Said]:
        if (refused := self._refused.get(year)) is not None:
            raise ProblemError(refused.findings)
        if year not in self._chunks:
            try:
                # The file is in force already: a performance that it names and that is gone must not stop later years.
                found = _asked(self._path, self._zone, None, self._found.words, year, BOUNDS)
                if found.digest != self._found.digest:
                    raise stopping(self._path.name, "It was changed after it was read.", "Read it again.")
            except ProblemError as error:
                self._refused[year] = error
                raise
            self._chunks[year] = self._localised(found.chunks[0].said)
            self._found = msgspec.structs.replace(self._found, chunks=(*self._found.chunks, *found.chunks))
        return self._chunks[year]

    def _localised(self, said: Sequence[Said]) -> list[Said]:
        """Times from JSON have only an offset; this converts them to times of the place again."""
        zone = self._zone
        return [
            replace(
                one, piece=replace(one.piece, opens=local(one.piece.opens, zone), closes=local(one.piece.closes, zone))
            )
            for one in said
        ]


def _chunk_of(day: dt.date) -> int:
    return day.year - day.year % _CHUNK_YEARS


def _asked(
    path: Path, zone: ZoneInfo, known: Collection[str] | None, own: EventWords, year: int, bounds: Bounds
) -> Expansion:
    names = None if known is None else list(known)
    question = _Question(path=str(path), zone=zone.key, known=names, words=own, year=year, bounds=bounds)
    words = "Working out its events takes too much time or memory"
    mend = "Simplify what repeats (a rule with INTERVAL=0 or by the minute, thousands of events), and export it again."
    try:
        child = subprocess.run(
            command_of("residue.schedule.expansion", []),
            input=encode_record(question),
            capture_output=True,
            timeout=bounds.wait_s,
            check=False,
        )
        answer = decode_record(child.stdout, _Answer).either
    except subprocess.TimeoutExpired as error:
        raise stopping(path.name, f"{words}: more than {bounds.wait_s:g} s.", mend) from error
    except SpoiltRecordError as error:
        raise stopping(
            path.name, f"{words}: {bounds.cpu_s} s or {bounds.memory_bytes >> 20} MB are the most.", mend
        ) from error
    except OSError as error:
        raise stopping(path.name, f"It cannot be worked out: {error.strerror}.", "Save it again later.") from error
    if isinstance(answer, Refusal):
        raise ProblemError(list(answer.findings))
    return answer


def main() -> None:
    """Runs the child: answers one request from standard input."""
    question = decode_record(sys.stdin.buffer.read(), _Question)
    resource.setrlimit(resource.RLIMIT_CPU, (question.bounds.cpu_s, question.bounds.cpu_s))
    resource.setrlimit(resource.RLIMIT_AS, (question.bounds.memory_bytes, question.bounds.memory_bytes))
    try:
        answer: Expansion | Refusal = _worked_out(question)
    except ProblemError as error:
        answer = Refusal(findings=tuple(error.findings))
    sys.stdout.buffer.write(encode_record(_Answer(either=answer)))


def _worked_out(question: _Question) -> Expansion:
    from residue.schedule.events import read

    path, zone = Path(question.path), zone_called(question.zone)
    found = read(path, zone, question.known, question.words)
    first, beyond = dt.date(question.year, 1, 1), dt.date(question.year + _CHUNK_YEARS, 1, 1)
    try:
        said = found.said(first, (beyond - first).days)
    except MemoryError:  # the end of this process reports it
        raise
    except Exception as error:  # the libraries may raise any error for a file from any program
        raise stopping(path.name, f"Its events cannot be worked out: {error}.", "Export the calendar again.") from error
    if len(said) > MOST_PIECES:
        what = f"From {first.year} to {beyond.year - 1} it has {len(said)} openings, more than {MOST_PIECES}."
        raise stopping(path.name, what, "Export only the hours of the house.")
    return Expansion(
        digest=found.digest,
        zone=question.zone,
        words=question.words,
        terms=tuple(found.terms.items()),
        findings=found.findings,
        titles=found.titles,
        chunks=(Chunk(year=question.year, said=tuple(said)),),
    )


if __name__ == "__main__":
    main()
