"""Reads the words of a calendar event: its meaning, its terms, and words that are too similar to either.

A house must not be open, or louder than wanted, because of a misspelt word. So a word that is nearly one of these is
neither used nor ignored: it is a fault, and the curator must correct it.
"""

from __future__ import annotations

import datetime as dt
import difflib
import html
import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import icalendar

from residue.problems import Finding, Severity, nearest
from residue.schedule.calendar_file import Meaning
from residue.schedule.event_checks import called, times
from residue.schedule.opening import EVERYDAY, EventTerms
from residue.schedule.tables import EventWords

WORDS: Mapping[Meaning, tuple[str, ...]] = {
    Meaning.CLOSED: ("closed", "closure", "shut", "geschlossen", "ruhetag", "fermé", "fermée", "chiuso", "cerrado"),
    Meaning.PRIVATE_VIEW: ("private view", "preview", "vernissage"),
    Meaning.OPEN: ("open", "opening", "geöffnet", "offen", "ouvert", "aperto", "abierto"),
}
"""The words for the meaning of an event; the first that is found decides."""

Words = Mapping[Meaning, tuple[str, ...]]

_WITHIN_A_LINE = re.compile(r"</?(?:a|b|em|font|i|span|strong|u)(?:\s[^<>]*)?>", re.IGNORECASE)
_MARKUP = re.compile(r"<[^<>]*>")
"""Some calendar programs write descriptions as HTML."""
_MINUS = "-−–"
_NUMBER = r"\d+(?:[.,]\d+)?"
_TRIM = re.compile(
    rf"(?<!\w)trim\s*[:=]\s*(?P<sign>[{_MINUS}]?)\s*(?P<size>{_NUMBER})(?![.,]?\d)(?:\s*dB(?![\w(]))?", re.IGNORECASE
)
_PERFORMANCES = re.compile(r"(?<!\w)performances?\s*[:=]\s*(?P<names>[^\n]*\S)", re.IGNORECASE)
_LOUDNESS_WORDS = (
    *("quieter", "softer", "lower", "louder", "level", "volume", "gain"),
    *("leiser", "lauter", "lautstärke", "pegel", "moins fort", "plus fort", "niveau", "più piano", "più forte"),
    *("más bajo", "más alto", "volumen", "zachter", "harder"),
)
_NEAR_TRIM = (
    re.compile(r"(?<!\w)trim(?!\w)[^\n]*", re.IGNORECASE),
    re.compile(
        rf"(?<!\w)(?:{'|'.join(_LOUDNESS_WORDS)})\s*(?:[:=]\s*[{_MINUS}+]?\s*\d|[{_MINUS}+]\s*\d|\d+\s*%)[^\n]*",
        re.IGNORECASE,
    ),
    re.compile(rf"(?<!\d)\d+\s*%\s*(?:{'|'.join(_LOUDNESS_WORDS)})(?!\w)", re.IGNORECASE),
    re.compile(rf"[{_MINUS}+]?\s*(?<!\d){_NUMBER}\s*(?:dB\w*(?:\(\w\))?|de[cz]ibels?|décibels?)(?!\w)", re.IGNORECASE),
)
_NEAR_PERFORMANCES = re.compile(r"(?<!\w)performances?\s*[:=][^\n]*", re.IGNORECASE)
_LABELLED = re.compile(r"^\s*(?P<label>[^\n:=]*[^\W\d_])\s*[:=]\s*(?P<value>[^\n]*\S)", re.MULTILINE)
_NEAR_CLOSED, _NEAR_PERFORMANCE, _NEAR_TRIM_LABEL, _NEAR_LOWERING = 0.82, 0.8, 0.88, 0.7
"""Our own bounds, of `difflib`'s ratio: "geschlosen" is beyond the first, "trimm: 6" beyond the third; "disclosed"
and "time: 6" are not. A label with a number below zero needs to be less near."""
_LEAST_LETTERS = 5
"""Shorter words are similar to too many others."""


def words_of(own: EventWords) -> Words:
    """The words for each meaning: those that are always known, and the curator's own."""
    more = {Meaning.CLOSED: own.closed, Meaning.PRIVATE_VIEW: own.private_view, Meaning.OPEN: own.open}
    return {meant: (*words, *map(_plain, more[meant])) for meant, words in WORDS.items()}


def meaning(event: icalendar.Event, words: Words = WORDS) -> Meaning:
    """The meaning of an event, by its categories, else by its summary, else by whether it has times and a length."""
    return _said(event, words) or (Meaning.OPEN if _has_times(event) else Meaning.NOTE)


@dataclass(frozen=True, slots=True)
class Wording:
    """The words of an event about its level and its performances. near: text that is nearly a term, as written."""

    terms: EventTerms
    near: tuple[str, ...]


def wording(event: icalendar.Event, known: Collection[str] | None = None) -> Wording:
    """The terms of an event, from its summary and description. known: the existing performances."""
    written = f"{event.get('SUMMARY', '')}\n{event.get('DESCRIPTION', '')}"
    return _wording(written, None if known is None else tuple(known))


@lru_cache(maxsize=8192)  # a repeated event is read for each of its days
def _wording(written: str, known: tuple[str, ...] | None) -> Wording:
    text = unicodedata.normalize("NFKC", html.unescape(_MARKUP.sub("\n", _WITHIN_A_LINE.sub("", written))))
    text = "\n".join(" ".join(line.split()) for line in text.splitlines() if line.strip())
    trims = {_trim_db(found) for found in _TRIM.finditer(text)}
    lists = {_names(found["names"]) for found in _PERFORMANCES.finditer(text)}
    rest = _PERFORMANCES.sub("", _TRIM.sub("", text))
    near = [" and ".join(f"trim: {trim_db:g} dB" for trim_db in sorted(trims))] if len(trims) > 1 else []
    near += ["performances: twice, with different names"] if len(lists) > 1 else []
    trim_db = min(trims, default=0.0)
    near += _nearly(rest, trim_db, known)
    return Wording(EventTerms(trim_db, next(iter(lists), ())), tuple(near))


def event_terms(event: icalendar.Event) -> EventTerms:
    """The terms of an event that counts."""
    return wording(event).terms


def check_words(event: icalendar.Event, where: str, words: Words, known: Collection[str] | None) -> list[Finding]:
    """All unreliable words of an event; none for an event that closes the house."""
    meant = meaning(event, words)
    if meant is Meaning.CLOSED:
        return []
    if faults := list(_unlike(event, meant, words)):
        return [Finding(Severity.STOPS, where, f"{called(event)} {what}", mend) for what, mend in faults]
    asked, found = wording(event, known), []
    if asked.near:
        said = "; ".join(f'"{one}"' for one in asked.near)
        mend = "Write the level as trim: -9 dB, once, and what is played as performances: NAME, NAME. Remove the rest."
        found.append(Finding(Severity.STOPS, where, f"{called(event)} says {said}, which is not understood.", mend))
    elif meant is Meaning.NOTE and asked.terms != EVERYDAY:
        what = f"{called(event)} has a trim or performances, and says neither open nor closed."
        mend = "Write open in its title, and when it begins and ends; or write an [[exception]] in hours.toml."
        found.append(Finding(Severity.STOPS, where, what, mend))
    if not -40.0 <= asked.terms.trim_db <= 0.0:
        mend = "A trim only lowers: write one from -40 to 0, such as trim: -6 dB."
        what = f"{called(event)} asks for a trim of {asked.terms.trim_db:g} dB."
        found.append(Finding(Severity.STOPS, where, what, mend))
    for name in asked.terms.performances:
        if known is not None and name not in known:
            what = f'{called(event)} asks for a performance "{name}", which there is not.'
            found.append(Finding(Severity.STOPS, where, what, nearest(name, known)))
    return found


def left_aside(event: icalendar.Event) -> str:
    """The reason why an event without such words is not an opening."""
    begins, ends = times(event)
    return "it has no length" if begins == ends else "it lasts all day and says neither open nor closed"


def _unlike(event: icalendar.Event, meant: Meaning, words: Words) -> Iterator[tuple[str, str]]:
    """Finds a title that is nearly one of the words for closed, or an opening without a length."""
    if _said(event, words) is None:
        known = [word for word in words[Meaning.CLOSED] if len(word) >= _LEAST_LETTERS and word.isalpha()]
        for word in re.findall(r"\w+", _plain(str(event.get("SUMMARY", "")))):
            if (near := _near_closed(word, tuple(known))) is not None:
                mend = f"Write {near} or open in its title, or set the word under [calendar] in hours.toml."
                yield f'may mean closed: "{word}" is nearly "{near}".', mend
    elif meant is not Meaning.NOTE and len(set(times(event))) == 1:
        yield "has no end.", "Give it one: a house that opens must know when to close."


@lru_cache(maxsize=8192)
def _near_closed(word: str, known: tuple[str, ...]) -> str | None:
    near = difflib.get_close_matches(word, known, n=1, cutoff=_NEAR_CLOSED) if len(word) >= _LEAST_LETTERS else []
    return next(iter(near), None)


def _said(event: icalendar.Event, words: Words) -> Meaning | None:
    categories = [_plain(str(name)) for name in event.categories]
    for meant, those in words.items():
        if any(name in those for name in categories):
            return meant
    summary = _plain(str(event.get("SUMMARY", "")))
    return next((meant for meant, those in words.items() if _any_of(those).search(summary)), None)


@lru_cache(maxsize=16)
def _any_of(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(map(_by_itself, words)))


def _by_itself(word: str) -> str:
    """A pattern for a word; as a whole word, if its script separates words by spaces and has capital letters."""
    before = r"(?<!\w)" if _bounded(word[0]) else ""
    after = r"(?!\w)" if _bounded(word[-1]) else ""
    return before + re.escape(word) + after


def _bounded(letter: str) -> bool:
    return letter.isdigit() or letter.upper() != letter.lower()


def _plain(text: str) -> str:
    """The text in one form of Unicode, independent of the program that wrote it.

    Source: Unicode Standard Annex 15, NFKC.
    """
    return unicodedata.normalize("NFKC", text).strip().casefold()


def _has_times(event: icalendar.Event) -> bool:
    begins, ends = times(event)
    return isinstance(begins, dt.datetime) and begins != ends


def _trim_db(found: re.Match[str]) -> float:
    size_db = float(found["size"].replace(",", "."))
    return -size_db if found["sign"] and size_db else size_db


def _names(listed: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in listed.split(",") if name.strip())


def _nearly(rest: str, trim_db: float, known: Collection[str] | None) -> Iterator[str]:
    """Finds text that is nearly a term in the rest of a text without its terms."""
    for line in rest.splitlines():
        if (found := _near_trim(line, trim_db) or _NEAR_PERFORMANCES.search(line)) is not None:
            yield found[0].strip()
        elif (labelled := _LABELLED.search(line)) is not None and _nearly_labelled(labelled, known):
            yield labelled[0].strip()
        else:
            names = "|".join(map(re.escape, known or ()))
            if names and (found := re.search(rf"(?<!\w)performances?\s+(?:{names})(?!\w)", line, re.IGNORECASE)):
                yield found[0]


def _near_trim(line: str, trim_db: float) -> re.Match[str] | None:
    """Finds a level that differs from the stated trim; the same figure again is fine."""
    for pattern in _NEAR_TRIM:
        for found in pattern.finditer(line):
            number = re.search(_NUMBER, found[0])
            same = number is not None and trim_db < 0.0 and float(number[0].replace(",", ".")) == -trim_db
            if not same or "+" in found[0]:
                return found
    return None


def _nearly_labelled(found: re.Match[str], known: Collection[str] | None) -> bool:
    label, value = found["label"].casefold(), found["value"]
    if difflib.get_close_matches(label, ["performances", "performance"], n=1, cutoff=_NEAR_PERFORMANCE):
        return True
    if value[0] in _MINUS or value[0].isdigit():
        cutoff = _NEAR_LOWERING if value[0] in _MINUS else _NEAR_TRIM_LABEL
        return bool(difflib.get_close_matches(label, ["trim"], n=1, cutoff=cutoff))
    names = _names(value)
    return bool(known and names and all(name in known for name in names))
