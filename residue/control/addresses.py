"""All addresses of the control surface in one table, from which the guides are made too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import KW_ONLY, dataclass

STATUS_REPLY = "/house/status/reply"
STATE_REPLY = "/house/state/reply"
DONE_REPLY = "/house/done"
ERROR_REPLY = "/house/error"
SWAP_TOLD = "/house/swap/told"
"""The address of the result of a swap, for the last sender that requested one."""

REPLIES = (
    (
        DONE_REPLY,
        "the address that was obeyed, and what the house does now (strings; the second only from hold, release, trim "
        "and next)",
        "Every command that was obeyed.",
    ),
    (ERROR_REPLY, "what is wrong, and what to send instead (string)", "Everything that was not obeyed."),
    (STATUS_REPLY, "the status as a JSON object (string)", "`/house/status`."),
    (
        STATE_REPLY,
        "state of the house, performance, section (strings, empty where there is none), playhead in s, trim in dB "
        "(floats), number of alarms (integer)",
        "`/house/state`.",
    ),
    (SWAP_TOLD, "what became of the swap (string)", "A swap, later; sent to the last sender that asked for one."),
)
"""The replies: address, arguments and content."""


@dataclass(frozen=True, slots=True)
class Address:
    """One OSC address: its arguments, its action, and whether it changes anything.

    takes: the name of each argument; every argument is a number, or text where the address takes text.
    needs_key: it works only if room.toml has a key.
    """

    path: str
    takes: Sequence[str]
    does: str
    _: KW_ONLY
    changes: bool
    text: bool = False
    needs_key: bool = False


ADDRESSES: Sequence[Address] = (
    Address("/house/status", (), f"Answers {STATUS_REPLY} with the status: one string, a JSON object.", changes=False),
    Address(
        "/house/state", (), "Answers /house/state/reply with a few plain arguments, for controllers.", changes=False
    ),
    Address("/house/hold", (), "Fades to silence and stays there, closings included, until released.", changes=True),
    Address("/house/hold/for", ("seconds",), "The same for so long: the hold then ends by itself.", changes=True),
    Address("/house/release", (), "Ends the hold; the house follows its hours again.", changes=True),
    Address("/house/trim", ("db",), "Lowers everything to so many dB, 0 to -40; never above the plan.", changes=True),
    Address("/house/next", (), "Ends a rest, or skips the performance that plays now.", changes=True),
    Address(
        "/house/tone",
        ("output",),
        "Has an output count its number in quiet pulses through the cap, where nothing plays; "
        "only where there is a key.",
        changes=True,
        text=True,
        needs_key=True,
    ),
    Address(
        "/house/swap",
        ("bag", "performance", "when"),
        "Has a bag within the installation folder take the place of a performance, `now`, `at-rest` or `at-opening`; "
        "only where there is a key.",
        changes=True,
        text=True,
        needs_key=True,
    ),
    Address(
        "/house/swap/back",
        ("performance", "when"),
        "Has the performance before take its place again; only where there is a key.",
        changes=True,
        text=True,
        needs_key=True,
    ),
)


def table_of_replies() -> str:
    """The replies as a Markdown table."""
    rows = [f"| `{path}` | {arguments} | {question} |" for path, arguments, question in REPLIES]
    return "\n".join(["| reply | arguments | answers |", "| --- | --- | --- |", *rows])


def table() -> str:
    """The addresses as a Markdown table."""
    rows = [
        f"| `{one.path}` | {', '.join(one.takes) or 'none'} | {one.does} | {'yes' if one.changes else 'no'} |"
        for one in ADDRESSES
    ]
    return "\n".join(["| address | arguments | what it does | changes anything |", "| --- | --- | --- | --- |", *rows])
