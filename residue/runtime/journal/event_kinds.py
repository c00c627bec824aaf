"""Kinds of events that other parts of the program rely on."""

from __future__ import annotations

STARTED = "started"
"""The kind of the event with which a run begins."""
ENDED = "ended"
"""The kind of the event with which an uninterrupted run ends."""
CUT = "cut"
"""The kind of the event with which a run ends that could not log everything that it sent."""
CALIBRATED = "calibrated"
"""The kind of the event that the reading of an output was written into room.toml."""
READ_AGAIN = "read again"
"""The kind of the event that all played files are unchanged."""
SPOILT = "log spoilt"
"""The kind of the event with which a log begins if the log before is damaged or missing."""
NOT_LOGGED = "not logged"
"""The kind of the event that tells of a time without rows before it: what was sent then kept to half of each limit."""
