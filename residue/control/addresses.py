"""Everything that the control surface understands: one table, from which the guides are written too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

STATUS_REPLY = "/house/status/reply"
DONE_REPLY = "/house/done"
ERROR_REPLY = "/house/error"
SWAP_TOLD = "/house/swap/told"
"""What becomes of a swap, to whoever asked for one last."""


@dataclass(frozen=True, slots=True)
class Address:
    """One OSC address: what it takes, what it does, and whether it changes anything.

    takes: the name of each argument; every argument is a number, or text where the address takes text.
    needs_key: it is obeyed only where room.toml has a key.
    """

    path: str
    takes: Sequence[str]
    does: str
    changes: bool
    text: bool = False
    needs_key: bool = False


ADDRESSES: Sequence[Address] = (
    Address("/house/status", (), f"Answers {STATUS_REPLY} with the status: one string, a JSON object.", changes=False),
    Address("/house/hold", (), "Fades to silence and stays there, closings included, until released.", changes=True),
    Address("/house/hold/for", ("seconds",), "The same for so long: the hold then ends by itself.", changes=True),
    Address("/house/release", (), "Ends the hold; the house follows its hours again.", changes=True),
    Address("/house/trim", ("db",), "Lowers everything to so many dB, 0 to -40; never above the plan.", changes=True),
    Address("/house/next", (), "Ends a rest, or skips the performance that plays now.", changes=True),
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


def table() -> str:
    """The addresses as a Markdown table."""
    rows = [
        f"| `{one.path}` | {', '.join(one.takes) or 'none'} | {one.does} | {'yes' if one.changes else 'no'} |"
        for one in ADDRESSES
    ]
    return "\n".join(["| address | arguments | what it does | changes anything |", "| --- | --- | --- | --- |", *rows])
