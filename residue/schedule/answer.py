"""The answer to the curator, in plain words: whether the hours were taken, and how they will be."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from residue.problems import Finding, Severity
from residue.schedule.agenda import clock_words, programme_words, words
from residue.schedule.beside import CALENDAR_FILE, Answers
from residue.schedule.doubts import doubts, out_of_time
from residue.schedule.folding import folded, told_titles
from residue.schedule.hours import Hours
from residue.schedule.spans import local
from residue.schedule.special_words import special_words

DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursOutcome:
    """What became of the curator's files when they were read last.

    at: when that was. saved: the time at which each file was saved. faults: why they are refused; none if they were
    taken.
    """

    at: dt.datetime
    saved: Mapping[str, dt.datetime] = field(default_factory=dict)
    faults: Sequence[Finding] = ()


def answer(
    house: str,
    hours: Hours,
    answers: Answers,
    outcome: HoursOutcome,
    today: dt.date,
    *,
    fetching: str = "",
    others: Sequence[str] = (),
) -> str:
    """The text for the curator.

    house: its name. hours, answers: those in force. today: its date at the place. fetching: a sentence on the calendar
    on the web. others: names of further files of the folder, which are not read.
    """
    paragraphs = [
        [f"{house}: the hours, as the house understands them on {today:%A %d %B %Y}.", clock_words(hours)],
        _outcome(outcome, hours),
        *([[fetching]] if fetching else []),
        _looked_at(hours, answers, today),
        [f"The next {DAYS} days:", *_points(words(answers.calendar, today, DAYS))],
        ["What is played:", *_points(programme_words(hours.programme))],
        _listed("Special days, and how each was taken:", special_words(hours, today)),
        _listed(f"Events of {CALENDAR_FILE}, and how each title was taken:", _titles(answers)),
        _listed("Not read, as their names are others than hours.toml and hours.ics:", others),
    ]
    return "\n\n".join("\n".join(lines) for lines in paragraphs if lines) + "\n"


def _outcome(outcome: HoursOutcome, hours: Hours) -> list[str]:
    moments = {name: local(moment, hours.zone) for name, moment in outcome.saved.items()}
    saved = [f"{name}, saved {moment:%a %d %b %Y %H:%M:%S}" for name, moment in moments.items()]
    if not outcome.faults:
        return ["TAKEN. The house keeps to:", *_points(saved)]
    return [
        "REFUSED. The house keeps to the hours that it had before, and not to:",
        *_points(saved),
        "",
        "Correct this, and save again:",
        *_points(map(str, folded(outcome.faults))),
    ]


def _looked_at(hours: Hours, answers: Answers, today: dt.date) -> list[str]:
    found = [*answers.findings, *out_of_time(hours, today), *doubts(hours, answers, today, DAYS)]
    shown = [str(one) for one in found if one.severity is not Severity.NOTES]
    return _listed("Please look at this; it stops nothing:", shown)


def _titles(answers: Answers) -> list[str]:
    return [] if answers.events is None else [one.what for one in told_titles(answers.events.titles, CALENDAR_FILE)]


def _listed(title: str, lines: Sequence[str]) -> list[str]:
    return [title, *_points(lines)] if lines else []


def _points(lines: Iterable[str]) -> list[str]:
    return [f"- {line}" for line in lines]
