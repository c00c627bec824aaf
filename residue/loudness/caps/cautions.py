"""Cautions shown to everybody who opens, calibrates or checks a room."""

from __future__ import annotations

CAUTIONS = (
    "Hearing: this can be loud and goes very low, and very low sound strains ears and cones before it seems loud.",
    "Vibration: it can be bad for people with implants or recent surgery, in pregnancy, with a bad back, or prone to "
    "seizures or migraine. Leave a way round, and a seat that does not shake.",
    "What is allowed here is for local rules and a qualified person to decide, not for this program.",
)

LIGHT_CAUTION = (
    "Light: this piece sends a feed. If that drives lamps, keep flashes at three a second or fewer (WCAG 2.3.1): body "
    "signals lie in the very range that provokes seizures."
)
LAMP_CAUTION = (
    "Light: lamps of this room follow the piece. No more than three flashes a second are sent (WCAG 2.3.1), but what "
    "lamps and other light make of it is not known here, nor colours that a lamp mixes: red flashes provoke seizures "
    "at less. Even fewer flashes can harm people with photosensitive epilepsy or migraine. Tell visitors beforehand, "
    "and let a qualified person look at it."
)


def cautions(*, feed: bool, lamps: bool) -> tuple[str, ...]:
    """All that hold for a house. feed: its piece sends one. lamps: those of its room follow the piece."""
    return (*CAUTIONS, *([LIGHT_CAUTION] if feed else []), *([LAMP_CAUTION] if lamps else []))
