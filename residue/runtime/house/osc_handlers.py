"""The handlers of the OSC control surface."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from residue.control.addresses import DONE_REPLY, STATE_REPLY, STATUS_REPLY
from residue.control.surface import Handler, Reply
from residue.runtime.house.exchange import Event, Hold, Next, Release, Trim
from residue.runtime.house.house_state import TRIM_HIGHEST_DB, TRIM_LOWEST_DB

Numbers = tuple[float, ...]

HOLD_LONGEST_S = 86_400.0
"""A day. For a longer silence, change the hours, or hold until a release."""
SHOWN_CHARACTERS = 40
"""The longest name in /house/state/reply: as much as a small display shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapOrder:
    """The request of a swap. bag: a folder within the installation; None for the version before."""

    performance: str
    when: str
    bag: str | None = None


def handlers(
    tell: Callable[[Event], str],
    status: Callable[[], Mapping[str, Any]],
    *,
    swap: Callable[[SwapOrder, str], None],
    tone: Callable[[str, str], None],
) -> Mapping[str, Handler]:
    """The handlers by address.

    tell: lets the house act on an event, and gives its answer. status: that of `residue status --json`. swap: requests
    a swap. tone: makes an output sound. Both get the sender.
    """

    def on(path: str, event: Callable[[Numbers, str], Event]) -> Mapping[str, Handler]:
        return {path: lambda numbers, sender: (DONE_REPLY, path, tell(event(numbers, sender)))}

    return {
        "/house/status": lambda _numbers, _sender: (STATUS_REPLY, json.dumps(status(), allow_nan=False)),
        "/house/state": lambda _numbers, _sender: _state(status()),
        **on("/house/hold", lambda _numbers, sender: Hold(sender)),
        **on("/house/hold/for", lambda numbers, sender: Hold(sender, _hold_s(numbers))),
        **on("/house/release", lambda _numbers, sender: Release(sender)),
        **on("/house/trim", lambda numbers, sender: Trim(_trim_db(numbers), sender)),
        **on("/house/next", lambda _numbers, sender: Next(sender)),
        "/house/tone": lambda texts, sender: tone(texts[0], sender),
        "/house/swap": lambda texts, sender: swap(SwapOrder(performance=texts[1], when=texts[2], bag=texts[0]), sender),
        "/house/swap/back": lambda texts, sender: swap(SwapOrder(performance=texts[0], when=texts[1]), sender),
    }


def _state(told: Mapping[str, Any]) -> Reply:
    """The status in a few plain arguments, with names cut short: a reply may not be much longer than its request."""
    health = told["health"]
    house, performance, section = (
        str(told[key] or "")[:SHOWN_CHARACTERS] for key in ("house", "performance", "section")
    )
    playhead_s, trim_db = float(told["playhead_s"] or 0.0), float(health["trim_db"])
    return STATE_REPLY, house, performance, section, playhead_s, trim_db, len(health["alarms"])


def _hold_s(numbers: Numbers) -> float:
    (for_s,) = numbers
    if not 0.0 < for_s <= HOLD_LONGEST_S:
        raise ValueError(
            f"{for_s:g} s is not above 0 and at most {HOLD_LONGEST_S:g}; /house/hold lasts until it is released."
        )
    return for_s


def _trim_db(numbers: Numbers) -> float:
    (db,) = numbers
    if not TRIM_LOWEST_DB <= db <= TRIM_HIGHEST_DB:
        raise ValueError(f"{db:g} dB is not from {TRIM_LOWEST_DB:g} to {TRIM_HIGHEST_DB:g}; a trim only lowers.")
    return db
