"""What keeps a room from playing in step with others, as far as it can be known before opening."""

from __future__ import annotations

from collections.abc import Iterator

from residue.installation.load import ROOM
from residue.installation.room import Room
from residue.problems import Finding, Severity
from residue.runtime.system.discipline import Discipline
from residue.schedule.timetable import LEAST_REST_S

_WHERE = f"{ROOM}: in_step"
_SERVERS = frozenset({"pulse", "pipewire", "jack", "default"})
"""Names of ALSA devices behind which a sound server stands, or may."""
_SERVICE = "Let chrony or a PTP service set the clock; the technician's guide says how."


def in_step_findings(room: Room, clock: Discipline | None) -> Iterator[Finding]:
    """Findings on the clock, and a note on what differs from a room that plays alone."""
    if (asked := room.in_step) is None:
        return
    if clock is None:
        what = "The kernel does not say here whether the clock is disciplined."
        yield Finding(Severity.WARNS, _WHERE, what, "Look at the status of the running house instead.")
    elif not clock.disciplined:
        what = "The clock of this machine is not disciplined, so it drifts away from that of the other rooms."
        yield Finding(Severity.WARNS, _WHERE, what, _SERVICE)
    elif clock.estimated_ms > asked.clock_within_ms:
        what = f"The clock may be off by {clock.estimated_ms:.1f} ms, as its service estimates."
        mend = f"{_SERVICE} Or raise clock_within_ms, now {asked.clock_within_ms:g}."
        yield Finding(Severity.WARNS, _WHERE, what, mend)
    else:
        what = f"The clock is disciplined, ±{clock.estimated_ms:.2g} ms as its service estimates."
        yield Finding(Severity.NOTES, _WHERE, what, "")
    if room.device.strip().lower() in _SERVERS:
        what = (
            f'"{room.device}" plays through a sound server, which does not say how long it holds the sound: the room '
            "may be late by all of that, 80 ms for example, and be told as in step."
        )
        yield Finding(Severity.WARNS, f"{ROOM}: device", what, "Name the sound card itself: `residue devices`.")
    what = (
        f"Each performance begins at a whole second, with at least {LEAST_REST_S:g} s of silence before it. `next` "
        "skips nothing, and after a hold or a power cut the room joins in where the others are."
    )
    yield Finding(Severity.NOTES, _WHERE, what, "")
