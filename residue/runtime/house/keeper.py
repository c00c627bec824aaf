"""Runs the house: gives it the time and the view of the engine, and has its actions carried out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol

from residue.runtime.house.exchange import Action, EngineView, Event, Log, Respond, Tick, World
from residue.runtime.house.house import House, step
from residue.runtime.house.house_state import performance_at
from residue.runtime.system.clock import Clock
from residue.schedule.agenda import AgendaEntry
from residue.schedule.calendar import Calendar
from residue.schedule.programme import Programme, coming
from residue.schedule.timetable import kept_timetable


class Plays(Protocol):
    """Carries out the actions of the house: the player, or a simulated one."""

    def view(self) -> EngineView:
        """The engine's present view."""

    def do(self, actions: Iterable[Action]) -> None:
        """Carries out actions; it ignores other kinds."""


class Keeper:
    """The house with its surroundings.

    programme: gives the one in force. happened: writes into the event log: kind, text, and who asked. in_step: whether
    it plays together with other houses.
    """

    def __init__(
        self,
        house: House,
        programme: Callable[[], Programme],
        calendar: Calendar,
        clock: Clock,
        plays: Plays,
        happened: Callable[[str, str, str | None], None],
        *,
        in_step: bool = False,
    ) -> None:
        self.house = house
        self._programme = programme
        self.calendar = calendar
        self._clock = clock
        self._plays = plays
        self._happened = happened
        self._in_step = in_step
        self._kept_timetable = kept_timetable()
        self.timetable: Sequence[AgendaEntry] | None = None
        """When each performance of the present opening begins, in a house in step."""
        self.lowered_db = 0.0
        """By how much the house is lowered because the room is louder than it was; never above 0."""

    def tell(self, event: Event) -> str:
        """Lets the house act on an event, or only on the time that has passed; the answer to who asked, or ""."""
        now = self._clock.now()
        opening = self.calendar.opening_at(now)
        engine, zone = self._plays.view(), self.calendar.zone
        if self._in_step:
            due = self._kept_timetable(self.calendar, opening, self._programme(), engine.duration_s, now)
            opening, self.timetable = (opening, None) if due is None else (due.opening, due.entries)
        world = World(now, self._clock.monotonic_s(), opening, engine, zone, self.lowered_db, self.timetable)
        self.house, actions = step(self.house, event, world, self._programme())
        by = None if isinstance(event, Tick) else event.by
        for action in actions:
            if isinstance(action, Log):
                self._happened(action.kind, action.text, by)
        self._plays.do(actions)
        return " ".join(action.text for action in actions if isinstance(action, Respond))

    @property
    def performance(self) -> str | None:
        """The performance that the house plays, or plays next; None before its first opening."""
        return None if self.house.opening is None else performance_at(self.house, self._programme())

    def due(self) -> Sequence[str]:
        """The performances of the present or the next opening, in the order in which the house plays them.

        Empty where no opening is known.
        """
        now = self._clock.now()
        opening = self.calendar.opening_at(now)
        if opening is None and (opens := self.calendar.next_change(now)) is not None:
            opening = self.calendar.opening_at(opens)
        if opening is None:
            return ()
        begun = self.house.opening == opening
        return coming(self._programme(), opening, self.house.index if begun else 0)

    def tick(self) -> None:
        """Tells the house that time has passed."""
        self.tell(Tick())
