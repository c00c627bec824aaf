"""Whether a time service keeps the clock of the machine right, as the kernel knows it."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

_UNSYNCHRONISED = 0x0040
"""STA_UNSYNC. Source: adjtimex(2), and timex.h of Linux for the layout below."""


class _Timex(ctypes.Structure):
    _fields_ = (
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 256),  # of which nothing is asked
    )


@dataclass(frozen=True, slots=True)
class Discipline:
    """The state of the clock."""

    disciplined: bool
    """Whether a time service (NTP, PTP) leads it now."""
    estimated_ms: float
    """The error that the service estimates."""
    most_ms: float
    """The largest error that it cannot rule out; it grows by 0.5 ms a second from one correction to the next."""


def discipline() -> Discipline | None:
    """Asks the kernel and changes nothing; None where the kernel may not be asked, as under ProtectClock of systemd."""
    asked = _Timex(modes=0)
    if ctypes.CDLL(None).adjtimex(ctypes.byref(asked)) < 0:
        return None
    return Discipline(
        disciplined=not asked.status & _UNSYNCHRONISED,
        estimated_ms=asked.esterror / 1000.0,
        most_ms=asked.maxerror / 1000.0,
    )
