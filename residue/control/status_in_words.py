"""A status for a person: whether the house is silent because it should be, and until when."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import residue
from residue.control.asker import asker_in_words
from residue.durations import duration_in_words, place_in_words, rough_duration_in_words
from residue.loudness.caps.caps import level_in_words
from residue.mapping.trust import DOUBTFUL

Status = Mapping[str, Any]

COLUMNS = 80
_LABEL = 10
_EVENTS = 5
"""The number of last events that are shown."""
_EVENT = 2 * COLUMNS - 4
"""The most characters of each event: two lines. `residue report` shows all of it."""


def in_words(told: Status) -> list[str]:
    """A status in lines of at most 80 columns. For a house of another version, the parts that are known."""
    lines: list[str] = []
    untold = False
    for fact in _FACTS:
        try:
            lines += list(fact(told))
        except (KeyError, TypeError, AttributeError, ValueError):
            untold = True
    if untold:
        lines += _wrapped(
            f"Parts of the status are missing: the house runs another version than this command, "
            f"{residue.__version__}. Restart the house, so that it runs the installed version."
        )
    return lines


def _wrapped(text: str, label: str = "") -> list[str]:
    """Lines of at most COLUMNS; with a label the text has a column of its own."""
    first, later = (label.ljust(_LABEL), " " * _LABEL) if label else ("", "  ")
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _title(told: Status) -> Iterator[str]:
    yield f"{told['piece']}, {told['place']}: {_moment(told['now']):%a %Y-%m-%d %H:%M}"


def _house(told: Status) -> Iterator[str]:
    yield from _wrapped(house_in_words(told))


def house_in_words(told: Status) -> str:
    """Whether the house is open and until when, and its activity."""
    return f"{_hours(told)} {_STATE[told['house']](told)}"


def _hours(told: Status) -> str:
    if told["open"]:
        until = f"until {_day_time(told['closes'], told['now'])}" if told["closes"] else "for more than a week"
        return f"The house is open {until}."
    if told["opens"]:
        return f"The house is closed. It opens at {_day_time(told['opens'], told['now'])}."
    return "The house is closed. Its hours name no opening within a year."


def _why(told: Status) -> str:
    why: str = told["health"]["why"]
    return why.removesuffix(".")


def _playing(told: Status) -> str:
    if not told["performance"]:
        return f"It is silent and begins at once: {_why(told)}."
    place = place_in_words(told["playhead_s"] or 0.0)
    section = f", section {told['section']}" if told["section"] else ""
    return f"It plays {told['performance']}, now at {place}{section}."


def _closed(told: Status) -> str:
    held_by = told["health"]["held_by"]
    held = f" It is held as well, as {asker_in_words(held_by)} asked, {_held_until(told)}." if held_by else ""
    return f"It is silent, as the hours say.{held}"


def _held(told: Status) -> str:
    since = f"since {_moment(told['health']['since']):%H:%M}"
    return f"It is silent, as {asker_in_words(told['health']['held_by'])} asked, {since}, {_held_until(told)}."


def _held_until(told: Status) -> str:
    return f"until {_day_time(told['held_until'], told['now'])}" if told["held_until"] else "until `residue release`"


_STATE: Mapping[str, Callable[[Status], str]] = {
    "closed": _closed,
    "opening": lambda told: f"It is silent and not ready yet: {_why(told)}.",
    "playing": _playing,
    "resting": lambda told: f"It is silent and rests {_why(told)}.",
    "held": _held,
    "faulted": lambda told: f"It is silent and should not be: {_why(told)}.",
}


def _bag(told: Status) -> Iterator[str]:
    if told["bag"]:
        digest = f", SHA-256 {told['bag']['sha256'][:12]}…" if told["bag"]["sha256"] else ""
        yield from _wrapped(f"{told['bag']['folder']}{digest}", "Bag")


def _lowered(told: Status) -> Iterator[str]:
    if told["performance"]:
        yield from _wrapped(lowered_in_words(told), "Lowered")


def lowered_in_words(told: Status) -> str:
    """The reasons why the piece is lowered, each with its dB."""
    return ", ".join(_part(one) for one in told["lowered"]) or "by nothing"


def _part(lowered: Status) -> str:
    who = f" ({asker_in_words(lowered['who'])})" if lowered["who"] else ""
    by = "everything" if lowered["db"] is None else f"{lowered['db']:.1f} dB"
    return f"{lowered['by']} {by}{who}"


def _planning(told: Status) -> Iterator[str]:
    health = told["health"]
    if health["planning"]:
        left_s = health["planning_left_s"]
        left = "" if left_s is None else f", about {rough_duration_in_words(left_s)} left"
        place = f"{health['planning_number']} of {health['planning_count']}"
        yield from _wrapped(f"{health['planning']} ({place}), {health['planning_share']:.0%} done{left}", "Preparing")


def _device(told: Status) -> Iterator[str]:
    health = told["health"]
    state = f"lost: {health['device_lost'].removesuffix('.')}" if health["device_lost"] else "in use"
    lost, late = (_when(health[key], told["now"]) for key in ("last_loss", "last_late"))
    yield from _wrapped(f"{state}; lost {health['device_losses']} times{lost}", "Device")
    yield from _wrapped(f"{health['late_blocks']} since the start{late}", "Late")


def _step(told: Status) -> Iterator[str]:
    """Whether the room is in step with others, how well, and what it plays with them."""
    step = told.get("in_step")
    if step is None:
        return
    clock = ""
    if step["clock_disciplined"]:
        clock = f"; clock disciplined, ±{step['clock_estimated_ms']:.2g} ms as its service estimates"
    if step["why"] is None:
        state = f"in step, {abs(step['late_ms']):.1f} ms {'late' if step['late_ms'] >= 0.0 else 'early'}"
    else:
        state = f"not in step: {step['why']}"
    programme = f"; programme {step['programme']}" if step["programme"] else ""
    yield from _wrapped(f"{state}{clock}{programme}", "In step")


def _caps(told: Status) -> Iterator[str]:
    for number, cap in enumerate(told["caps"]):
        level = "silence" if cap["level"] is None else level_in_words(cap["level"], cap["unit"])
        limit = level_in_words(cap["limit"], cap["unit"])
        if margin_db := cap.get("margin_db"):
            limit += f" ({cap['limit'] + margin_db:g} less a margin of {margin_db:g})"
        yield from _wrapped(f"{cap['name']}: {level}, limit {limit}", "Caps" if number == 0 else " ")


def _counted(told: Status) -> Iterator[str]:
    """What caps count beside what was sent, where it is too little to need attention."""
    for one in told["assumed"]:
        if not one["audible"]:
            unseen, window = rough_duration_in_words(one["untold_s"]), duration_in_words(one["window_s"])
            until = _day_time(one["until"], told["now"])
            why = f"no run is known of in {unseen} before the start"
            text = f"caps over {window} count a tenth, as {why}: 0.5 dB less at most, until {until}"
            yield from _wrapped(text, "Counted")


def _room_caps(told: Status) -> Iterator[str]:
    """What the microphone hears against the caps, visitors and all else included."""
    for number, cap in enumerate((told.get("proof") or {}).get("room_caps", [])):
        level, limit = (level_in_words(cap[key], cap["unit"]) for key in ("level", "limit"))
        yield from _wrapped(f"{cap['name']}: {level}, limit {limit}", "Heard" if number == 0 else " ")


def _readings(told: Status) -> Iterator[str]:
    """Shows the readings of the performer's body; a value that is not measured now is marked."""
    for number, (name, reading) in enumerate(told["readings"].items()):
        value = "" if reading["value"] is None else f" {reading['value']:.4g},"
        unknown = ", not measured now" if reading["trust"] < DOUBTFUL else ""
        yield from _wrapped(f"{name}:{value} trust {reading['trust']:.2f}{unknown}", "Body" if number == 0 else " ")


def _swaps(told: Status) -> Iterator[str]:
    for swap in told["health"]["swaps"]:
        why = f" {swap['why']}" if swap["why"] else ""
        text = f"{swap['bag']} in the place of {swap['performance']}, {swap['when']}: {swap['state']}.{why}"
        yield from _wrapped(text, "Swap")


def _ears(told: Status) -> Iterator[str]:
    if not told["health"]["ears_known"]:
        yield "Levels at the ear are unknown: the room is not calibrated."


def _health(told: Status) -> Iterator[str]:
    attention: Sequence[str] = told["health"]["attention"]
    for one in attention:
        yield from _wrapped(f"Look at: {one}")
    if not attention:
        yield "All is well."


def _events(told: Status) -> Iterator[str]:
    zone, today = ZoneInfo(told["time_zone"]), _moment(told["now"]).date()
    for event in told["events"][-_EVENTS:]:
        at = _moment(event["time"]).astimezone(zone)
        day = "" if at.date() == today else f"{at:%Y-%m-%d} "
        yield from _wrapped(
            textwrap.shorten(f"{day}{at:%H:%M:%S} {event['kind']}: {event['text']}", _EVENT, placeholder=" …")
        )


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _day_time(text: str, now: str) -> str:
    """The time of day, with the date where it is not today's."""
    moment = _moment(text)
    return f"{moment:%H:%M}" if moment.date() == _moment(now).date() else f"{moment:%H:%M on %a %Y-%m-%d}"


def _when(text: str | None, now: str) -> str:
    return "" if text is None else f", last at {_day_time(text, now)}"


_FACTS = (
    *(_title, _house, _bag, _lowered, _planning, _device, _step),
    *(_caps, _counted, _room_caps, _readings, _swaps, _ears, _health, _events),
)
