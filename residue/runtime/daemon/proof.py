"""The proof before an opening: a sweep through each output, a process that listens, and what follows from it."""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from datetime import datetime, timedelta
from math import ceil
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from residue.installation.load import Installation
from residue.loudness.caps.caps import reached_in_words
from residue.mapping.signals import seconds
from residue.problems import ProblemError
from residue.proof.against_caps import AgainstCaps, MeasuredCap
from residue.proof.hearing import HeardOutput, HeardSweeps
from residue.proof.judging import MOST_LOWERED_DB, Judged, OutputVerdict, in_words, judged, lowered_db
from residue.proof.messages import WINDOW_S, Listen, RoomChange
from residue.proof.settings import Microphone
from residue.proof.sweep import SLOT_FRAMES, slots_of, sound_of
from residue.records import SpoiltRecordError, encode_record, read_record
from residue.runtime.daemon.microphone_process import hear
from residue.runtime.daemon.room_watch import KNOWN_AGAIN, RoomWatch
from residue.runtime.engine.show import Show
from residue.runtime.house.house_state import State
from residue.runtime.journal.event_kinds import NOT_PROVEN, PROVEN
from residue.runtime.planning.preparation import caps, sounding_outputs
from residue.runtime.system.files import replace_file
from residue.schedule.opening import Opening
from residue.schedule.spans import local

logger = logging.getLogger(__name__)

FILE_NAME = "proof.json"
LOOK_S = 1.0
SPARE_S = 10.0
"""For the microphone to open, and the figures to be worked out, before the opening."""


class Kept(msgspec.Struct, frozen=True, kw_only=True):
    """What is remembered over a restart. under: what the reference belongs to."""

    under: str
    at: datetime | None = None
    opens: datetime | None = None
    """The opening that the last proof was made for."""
    reference: dict[str, HeardOutput] | None = None
    found: dict[str, Judged] = {}
    background_db: float | None = None
    trouble: str | None = None
    lowered_db: float = 0.0


Hears = Callable[[Listen, Callable[[], float], Callable[[], bool]], Awaitable[HeardSweeps]]
"""As microphone_process.hear."""


class ProofKeeper:
    """Nothing without [microphone] in room.toml. kept: what the last proof found.

    happened: writes into the event log: kind, text.
    """

    def __init__(self, show: Show, state: Path, happened: Callable[[str, str], None], hears: Hears = hear) -> None:
        self._show, self._path, self._happened, self._hears = show, state / FILE_NAME, happened, hears
        self.kept = Kept(under="") if self._microphone is None else self._remembered()
        installation = show.in_force()
        outputs = len(sounding_outputs(installation))
        self.watch = RoomWatch(
            installation.room.microphone, outputs, self._is_open, self.lower_further, self._watch_changed, self._heard
        )
        self._against_caps = AgainstCaps()
        self._above: frozenset[str] = frozenset()
        """The caps above which the last window was."""

    @property
    def lowered_db(self) -> float:
        """By how much the house is lowered, because an output is louder than at the reference; never above 0."""
        return 0.0 if self._microphone is None else self.kept.lowered_db

    @property
    def alarms(self) -> list[str]:
        """What the last proof found wrong, one sentence each."""
        found = [] if self._microphone is None else wrong_in_words(self.kept)
        found += [above_in_words(one) for one in self._room_caps() if one.headroom_db < 0.0]
        return found if self.watch.alarm is None else [*found, self.watch.alarm]

    @property
    def told(self) -> Mapping[str, Any] | None:
        """For the status; None without a microphone."""
        if self._microphone is None:
            return None
        told: dict[str, Any] = msgspec.to_builtins(self.kept, builtin_types=(datetime,))
        shown = {key: told[key] for key in ("at", "found", "background_db", "trouble", "lowered_db")}
        room, known = self.watch.last or RoomChange(), self._microphone.calibration is not None
        return {
            **shown,
            "change_db": room.change_db,
            "room_laeq_db": self._level_db(room.laeq_dbfs),
            "room_lceq_db": self._level_db(room.lceq_dbfs),
            "room_caps": [{**asdict(one), "headroom_db": round(one.headroom_db, 1)} for one in self._room_caps()],
            "unit": "dB re 20 uPa" if known else "dBFS",
        }

    def _level_db(self, level_dbfs: float | None) -> float | None:
        """DB re 20 uPa where a calibrator was read with the microphone; else dBFS."""
        calibration = None if self._microphone is None else self._microphone.calibration
        offset_db = 0.0 if calibration is None else calibration.offset_db
        return None if level_dbfs is None else round(level_dbfs + offset_db, 1)

    def _room_caps(self) -> list[MeasuredCap]:
        """What the microphone heard against the caps; nothing where its level in dB re 20 uPa is not known."""
        installation, now_s = self._show.in_force(), self._show.clock.monotonic_s()
        microphone = installation.room.microphone
        if microphone is None or microphone.calibration is None:
            return []
        return list(self._against_caps.readings(caps(installation), microphone.calibration.offset_db, now_s))

    def _heard(self, told: RoomChange) -> None:
        """Logs where the room has come above a cap, and where it is below again."""
        self._against_caps.take(told, self._show.clock.monotonic_s(), WINDOW_S)
        readings = {one.name: one for one in self._room_caps()}
        above = frozenset(name for name, one in readings.items() if one.headroom_db < 0.0)
        for name in above - self._above:
            self._happened(NOT_PROVEN, above_in_words(readings[name]))
        for name in self._above - above:
            self._happened(PROVEN, f"What the microphone hears is below the cap again: {name}.")
        self._above = above

    def lower_further(self, louder_db: float) -> None:
        """Lowers the house by so much more, because the room has become louder; never raises it."""
        lowered = max(-MOST_LOWERED_DB, self.kept.lowered_db - ceil(10.0 * max(0.0, louder_db)) / 10.0)
        self._keep(msgspec.structs.replace(self.kept, lowered_db=lowered))
        self._happened(
            "lowered",
            f"The room has become {louder_db:.1f} dB louder while it is open: somebody turned an amplifier up. "
            f"The house is {-lowered:.1f} dB lower than planned.",
        )

    def _watch_changed(self, alarm: str | None) -> None:
        self._happened(PROVEN if alarm is None else NOT_PROVEN, alarm or KNOWN_AGAIN)

    async def keep(self) -> None:
        """Proves every output before the first opening of each day, for ever."""
        while self._microphone is not None:
            try:
                if (opening := self._due()) is not None:
                    await self._prove(self._microphone, opening)
            except Exception as error:  # a fault of our own; the house plays on
                logger.exception("The outputs cannot be proven")
                self._not_proven(f"The outputs could not be proven: {error}.")
            await asyncio.sleep(LOOK_S)

    @property
    def _microphone(self) -> Microphone | None:
        return self._show.in_force().room.microphone

    def _due(self) -> Opening | None:
        """The opening that a proof is due for now."""
        microphone, now, times = self._microphone, self._show.clock.now(), self._show.timekeeper
        if microphone is None or times.doubt is not None or times.opening_at(now) is not None:
            return None
        opening = first_opening(
            times.openings, local(now, times.zone), timedelta(minutes=microphone.before_opening_min)
        )
        return None if opening is None or opening.opens == self.kept.opens else opening

    async def _prove(self, microphone: Microphone, opening: Opening) -> None:
        show, outputs = self._show, sounding_outputs(self._show.in_force())
        left_s = (opening.opens - show.clock.now()).total_seconds()
        late, in_the_way = left_s < seconds(len(outputs) * SLOT_FRAMES) + SPARE_S, self._in_the_way()
        if in_the_way is not None and not late:
            return None  # it may be over in time
        self.kept = msgspec.structs.replace(self.kept, opens=opening.opens)  # one try for each opening
        if late:
            return self._not_proven(f"The outputs are not proven: {in_the_way or 'too little time was left'}.")
        asked = Listen(device=microphone.device, input=microphone.input, slots=slots_of(outputs))
        torn_before = self._torn()
        heard = await self._hears(asked, lambda: self._play(sound_of(outputs)), self._held)
        if self._held():
            self._play(np.zeros((len(outputs), 1)))
        if self._torn() != torn_before:
            # A sweep with a gap is heard as less than was sent; as the reference it would lower the house for nothing.
            return self._not_proven(
                "Whether the outputs sound is not known. The sweep broke off in between: the computer was too slow for "
                "a moment, or the sound device was lost. See what else runs on the machine."
            )
        self._judge(heard)
        return None

    def _torn(self) -> tuple[int, int]:
        """How often the sound has broken off since the start."""
        engine = self._show.engine.snapshot
        return engine.late_blocks, engine.losses

    def _in_the_way(self) -> str | None:
        """Why nothing may sound at this moment."""
        house, engine = self._show.keeper.house, self._show.engine.snapshot
        if house.held_by is not None or house.state is not State.CLOSED:
            return "somebody held the house until it opened"
        if engine.lost is not None or engine.performance is not None or engine.tone:
            return "the sound device was lost, or in use, until it opened"
        return None

    def _play(self, sound: NDArray[np.float64]) -> float:
        self._show.engine.sound_tone(sound)
        return self._show.clock.monotonic_s()

    def _is_open(self) -> bool:
        return self._show.keeper.house.state is not State.CLOSED

    def _held(self) -> bool:
        return self._show.keeper.house.held_by is not None

    def _judge(self, heard: HeardSweeps) -> None:
        now, before = self._show.clock.now(), self.kept
        if heard.trouble is not None:
            return self._not_proven(f"Whether the outputs sound is not known. {heard.trouble}")
        found = dict(judged(heard, before.reference))
        reference = before.reference
        if reference is None and all(output.heard for output in heard.outputs.values()):
            reference = heard.outputs
            self._happened(PROVEN, "This proof is the reference from now on, until the next calibration.")
        lowered = lowered_by(found, before.lowered_db)
        self._keep(
            Kept(
                under=before.under,
                at=now,
                opens=before.opens,
                reference=reference,
                found=found,
                background_db=self._level_db(heard.background_dbfs),
                lowered_db=lowered,
            )
        )
        for name, one in found.items():
            self._happened(PROVEN if one.verdict is OutputVerdict.WELL else NOT_PROVEN, in_words(name, one))
        if lowered != before.lowered_db:
            self._happened(
                "lowered", f"The house is {-lowered:.1f} dB lower than planned, by the proof of its outputs."
            )
        return None

    def _not_proven(self, why: str) -> None:
        """Nothing is known now; what lowered the house before goes on."""
        self._happened(NOT_PROVEN, why)
        self._keep(msgspec.structs.replace(self.kept, at=self._show.clock.now(), found={}, trouble=why))

    def _keep(self, kept: Kept) -> None:
        self.kept = kept
        try:
            replace_file(self._path, encode_record(kept))
        except OSError as error:
            self._happened(NOT_PROVEN, f"The proof cannot be written down: {error.strerror}.")

    def _remembered(self) -> Kept:
        under = what_is_measured(self._show.in_force())
        try:
            kept = read_record(self._path, Kept)
        except FileNotFoundError:
            return Kept(under=under)
        except (OSError, SpoiltRecordError) as error:
            self._happened(NOT_PROVEN, f"The last proof cannot be read: {error}. The next one is a new reference.")
            return Kept(under=under)
        return kept if kept.under == under else Kept(under=under)


def what_is_measured(installation: Installation) -> str:
    """A digest of outputs and microphone as they are written: with a calibration the reference is a new one."""
    room = installation.room
    microphone = None if room.microphone is None else msgspec.structs.replace(room.microphone, before_opening_min=1.0)
    return hashlib.sha256(msgspec.json.encode([room.device, room.output, microphone])).hexdigest()


def first_opening(openings: Callable[..., list[Opening]], now: datetime, ahead: timedelta) -> Opening | None:
    """The first opening of a day where it begins within this time, after now. now: local."""
    for day in dict.fromkeys([now.date(), (now + ahead).date()]):
        with suppress(ProblemError):  # an alarm says what is wrong with the hours
            first = min(openings(day, 1), key=lambda one: one.opens, default=None)
            if first is not None and now < first.opens <= now + ahead:
                return first
    return None


def lowered_by(found: Mapping[str, Judged], before_db: float) -> float:
    """By how much the house is lowered after a proof; what is not known leaves a lowering as it was."""
    known = all(one.drift_db is not None for one in found.values())
    return lowered_db(found) if known else min(before_db, lowered_db(found))


def above_in_words(one: MeasuredCap) -> str:
    """A sentence on a level above a cap, and what to do; visitors are heard too, so nothing is lowered by it."""
    reached = reached_in_words(one.level, one.limit, one.unit)
    return (
        f"The microphone hears more than the cap allows: {one.name} {reached}, "
        "with visitors and all else. If it is the house, turn the amplifiers down to their marks, or calibrate again; "
        "until then `residue trim` makes it quieter."
    )


def wrong_in_words(kept: Kept) -> list[str]:
    """What needs attention after a proof, one sentence each."""
    wrong = [in_words(name, one) for name, one in kept.found.items() if one.verdict is not OutputVerdict.WELL]
    if kept.trouble is not None:
        wrong.append(kept.trouble)
    if kept.lowered_db < 0.0:
        wrong.append(f"The house is {-kept.lowered_db:.1f} dB lower than planned, by the proof of its outputs.")
    return wrong
