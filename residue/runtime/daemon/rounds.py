"""The watchdog's rounds: check everything, do what is due, and notify systemd that the house lives."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from residue.runtime.house.restarts import Restarts
from residue.watchdog.checks import Remedy
from residue.watchdog.notify import Notifier
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Due, Watchdog


class Rounds:
    """Checks everything once; systemd is notified that the house lives only if frames were written.

    vitals: gives the vital signs. remedies: actions, by kind; other kinds need only their line in the log. restarts:
    limits how often a check may end the program. happened: writes into the event log: kind, text.
    """

    def __init__(
        self,
        vitals: Callable[[], Vitals],
        remedies: Mapping[Remedy, Callable[[Due], None]],
        restarts: Restarts,
        notifier: Notifier,
        happened: Callable[[str, str], None],
    ) -> None:
        self._vitals = vitals
        self._remedies = remedies
        self._restarts = restarts
        self._notifier = notifier
        self._happened = happened
        self._watchdog = Watchdog()
        self._frames = -1
        self.stands = False
        """Whether no frame was written between the last two checks."""

    @property
    def alarms(self) -> list[str]:
        """The faults of the last check, one sentence each."""
        return self._watchdog.alarms

    def make(self, told: str) -> None:
        """Checks everything, does what is due, and notifies systemd; `told` is the status line for systemd."""
        vitals = self._vitals()
        self.stands, self._frames = vitals.frames == self._frames, vitals.frames
        for due in self._watchdog.look(vitals):
            if due.remedy is Remedy.RESTART and not self._restarts.may(due.check):
                self._happened("watchdog", f"{due.check.name}: {due.why} Restarted often enough; not again for now.")
                continue
            self._happened("watchdog", f"{due.check.name}: {due.why} Remedy: {due.remedy}.")
            if due.remedy in self._remedies:
                self._remedies[due.remedy](due)
        if not self.stands:
            self._notifier.tell("WATCHDOG=1", f"STATUS={told}")
