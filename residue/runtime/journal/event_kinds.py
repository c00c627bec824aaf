"""Kinds of events that other parts of the program rely on."""

from __future__ import annotations

STARTED = "started"
"""The kind of the event with which a run begins."""
ENDED = "ended"
"""The kind of the event with which a run ends that was not cut."""
CUT = "cut"
"""The kind of the event with which a run ends that could not tell all that it had sent."""
CALIBRATED = "calibrated"
"""The kind of the event that what a meter read of an output was written into room.toml."""
READ_AGAIN = "read again"
"""The kind of the event that all that is played is as it was written."""
SPOILT = "log spoilt"
"""The kind of the event with which a log begins whose forerunner could not be used any more, or is gone."""
NOT_LOGGED = "not logged"
"""The kind of the event that the disk took nothing for a while before a program was killed."""
