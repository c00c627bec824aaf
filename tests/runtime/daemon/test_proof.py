from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import cast
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest

from residue.installation.room import Room
from residue.loudness.caps.caps import CapEntry
from residue.loudness.outputs.outputs import Output
from residue.proof.hearing import HeardOutput, HeardSweeps, Octave
from residue.proof.messages import WINDOW_S, Listen, RoomChange
from residue.proof.settings import Microphone, MicrophoneCalibration
from residue.proof.sweep import SLOT_FRAMES
from residue.runtime.daemon.proof import FILE_NAME, ProofKeeper
from residue.runtime.engine.show import Show
from residue.runtime.house.house_state import State
from residue.schedule.calendar import PagedCalendar
from residue.schedule.opening import Opening

BERLIN = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 3, 3, 12, 0, tzinfo=BERLIN)
HOURS = [
    Opening(NOON + timedelta(days=days, hours=hours), NOON + timedelta(days=days, hours=hours + 2), "by the hours")
    for days in range(5)
    for hours in (0, 4)
]
MICROPHONE = Microphone(
    device="Ear",
    before_opening_min=10.0,
    calibration=MicrophoneCalibration(read_dbfs=-26.0, on=date(2026, 3, 1)),
)


def output(level_db: float) -> HeardOutput:
    octaves = [Octave(middle_hz=hz, level_db=level_db, noise_db=-60.0) for hz in (125.0, 500.0, 2000.0)]
    return HeardOutput(octaves=octaves, arrival_ms=900.0)


def heard(left_db: float, right_db: float) -> HeardSweeps:
    return HeardSweeps(outputs={"left": output(left_db), "right": output(right_db)}, background_dbfs=-80.0)


WELL = heard(-10.0, -14.0)


@dataclass
class Hall:
    """A keeper of proofs in a house of figures, and a microphone that hears what a test says."""

    folder: Path
    microphone: Microphone | None = MICROPHONE
    now: datetime = NOON - timedelta(hours=3)
    hears: HeardSweeps = WELL
    log: list[str] = field(default_factory=list)
    sounds: list[np.ndarray] = field(default_factory=list)
    asked: list[Listen] = field(default_factory=list)
    doubt: str | None = None
    tears: str | None = None
    now_s: float = 5.0
    caps: list[CapEntry] = field(default_factory=lambda: [CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-20.0)])

    def __post_init__(self) -> None:
        calendar = PagedCalendar(BERLIN, lambda first, days: HOURS)
        self.house = SimpleNamespace(held_by=None, state=State.CLOSED)
        self.engine = SimpleNamespace(
            snapshot=SimpleNamespace(lost=None, performance=None, tone=False, late_blocks=2, losses=1),
            sound_tone=self.sounds.append,
        )
        self.times = SimpleNamespace(
            doubt=None, zone=BERLIN, openings=calendar.openings, opening_at=calendar.opening_at
        )
        self.room = Room(
            place="Kitchen",
            device="silent",
            levels_at_the_ear="unknown",
            output={"left": Output(device_channel=1), "right": Output(device_channel=2)},
            cap=self.caps,
            microphone=self.microphone,
        )
        self.start()

    def start(self) -> None:
        installation = SimpleNamespace(room=self.room, piece=SimpleNamespace(outputs=["left", "right"]))
        show = SimpleNamespace(
            in_force=lambda: installation,
            clock=SimpleNamespace(now=lambda: self.now.astimezone(UTC), monotonic_s=lambda: self.now_s),
            timekeeper=self.times,
            engine=self.engine,
            keeper=SimpleNamespace(house=self.house),
        )
        self.keeper = ProofKeeper(cast(Show, show), self.folder, self._happened, self._hear)

    def _happened(self, kind: str, text: str) -> None:
        self.log.append(f"{kind}: {text}")

    async def _hear(self, asked: Listen, play: Callable[[], float], held: Callable[[], bool]) -> HeardSweeps:
        self.asked.append(asked)
        play()
        if self.tears is not None:
            self.engine.snapshot.__dict__[self.tears] += 1
        return self.hears

    def at(self, moment: datetime) -> None:
        """Has the keeper look at this moment."""
        self.now = moment
        asyncio.run(asyncio.wait_for(self._once(), 60.0))

    async def _once(self) -> None:
        looked = asyncio.create_task(self.keeper.keep())
        for _ in range(10):
            await asyncio.sleep(0)
        looked.cancel()

    def morning(self, day: int, hears: HeardSweeps = WELL) -> None:
        self.hears = hears
        self.at(NOON + timedelta(days=day, minutes=-8))


def test_a_quiet_sweep_goes_through_each_output_before_the_first_opening_of_a_day_and_only_then(
    tmp_path: Path,
) -> None:
    hall = Hall(tmp_path)
    quiet = [(-180, 0), (-11, 0), (-8, 1), (-7, 1), (-1, 1), (30, 1), (130, 1), (239, 1), (60 * 24 - 8, 2)]
    for minutes, times in quiet:
        hall.at(NOON + timedelta(minutes=minutes))
        assert len(hall.sounds) == times, f"{minutes} min after the first opening"
    assert hall.sounds[0].shape == (2, 2 * SLOT_FRAMES)
    assert [slot.output for slot in hall.asked[0].slots] == ["left", "right"]


def test_without_a_microphone_nothing_sounds_and_nothing_is_said(tmp_path: Path) -> None:
    hall = Hall(tmp_path, microphone=None)
    hall.morning(0)
    assert (hall.sounds, hall.log, hall.keeper.alarms, hall.keeper.told, hall.keeper.lowered_db) == (
        [],
        [],
        [],
        None,
        0,
    )


def test_the_first_proof_in_which_all_is_heard_is_the_reference(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    dead = heard(-10.0, -90.0)
    hall.morning(0, dead)
    assert "This proof is the reference" not in str(hall.log)
    assert "right: the microphone does not hear it well enough" in str(hall.keeper.alarms)
    hall.morning(1)
    assert "proven: This proof is the reference from now on, until the next calibration." in hall.log
    assert hall.keeper.alarms == []
    hall.morning(2, heard(-10.8, -14.0))
    assert hall.log[-2:] == [
        "proven: left sounds, -0.8 dB since the reference.",
        "proven: right sounds, +0.0 dB since the reference.",
    ]
    assert hall.keeper.told is not None
    assert hall.keeper.told["background_db"] == pytest.approx(-80.0 + 94.0 + 26.0)


def test_an_output_that_is_louder_lowers_the_house_by_as_much_until_a_proof_says_otherwise(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.morning(0)
    hall.morning(1, heard(-4.0, -14.0))
    assert hall.keeper.lowered_db == -6.0
    assert "lowered: The house is 6.0 dB lower than planned, by the proof of its outputs." in hall.log
    assert hall.keeper.alarms[-1].startswith("The house is 6.0 dB lower")
    hall.start()
    assert hall.keeper.lowered_db == -6.0, "a restart changes nothing"
    hall.morning(2, HeardSweeps(trouble="The microphone gives nothing."))
    assert hall.keeper.lowered_db == -6.0, "what is not known makes nothing louder"
    hall.morning(3)
    assert hall.keeper.lowered_db == 0.0


def test_a_room_that_becomes_louder_while_it_plays_lowers_the_house_further_and_never_raises_it(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.morning(0)
    hall.morning(1, heard(-7.0, -14.0))
    assert hall.keeper.lowered_db == -3.0
    for louder_db, lowered_db in ((6.2, -9.2), (1.05, -10.3), (-3.0, -10.3), (90.0, -40.0)):
        hall.keeper.lower_further(louder_db)
        assert hall.keeper.lowered_db == pytest.approx(lowered_db)
    assert "The room has become 6.2 dB louder while it is open" in str(hall.log)
    hall.start()
    assert hall.keeper.lowered_db == -40.0, "a restart changes nothing"
    hall.morning(2)
    assert hall.keeper.lowered_db == 0.0, "the next proof knows better"


def test_what_the_microphone_hears_is_told_against_each_cap_and_above_one_it_is_said_and_logged(tmp_path: Path) -> None:
    caps = [
        CapEntry(quantity="LAeq", window_s=60.0, limit_db=90.0),
        CapEntry(quantity="LCeq", window_s=600.0, limit_db=100.0),
    ]
    hall = Hall(tmp_path, caps=caps)

    def heard_half_a_minute(laeq_dbfs: float, lceq_dbfs: float) -> list[dict[str, object]]:
        hall.now_s += WINDOW_S
        hall.keeper._heard(RoomChange(laeq_dbfs=laeq_dbfs, lceq_dbfs=lceq_dbfs))
        told = hall.keeper.told
        assert told is not None
        return list(told["room_caps"])

    assert hall.keeper.told is not None
    assert hall.keeper.told["room_caps"] == [], "nothing was heard yet"
    first = heard_half_a_minute(-40.0, -30.0)  # a calibrator of 94 dB read -26: 80 dB(A) and 90 dB(C)
    assert [one["level"] for one in first] == [77.0, 77.0], "half of a minute: -3 dB; a twentieth of ten: -13 dB"
    assert hall.keeper.alarms == []
    heard_half_a_minute(-29.0, -30.0)
    [loud, low] = heard_half_a_minute(-29.0, -30.0)
    assert (loud["name"], loud["level"], loud["limit"], loud["headroom_db"]) == ("LAeq over 1 min", 91.0, 90.0, -1.0)
    assert low["level"] == pytest.approx(90.0 + 10.0 * np.log10(3 / 20), abs=0.05)
    [said] = hall.keeper.alarms
    assert "LAeq over 1 min 91.0 of 90 dB(A)" in said
    assert hall.keeper.lowered_db == 0.0, "visitors are heard as well"
    heard_half_a_minute(-40.0, -30.0)
    heard_half_a_minute(-40.0, -30.0)
    assert hall.keeper.alarms == []
    assert [line.partition(":")[0] for line in hall.log] == ["not proven", "proven"]


def test_a_microphone_without_a_calibrator_is_held_against_no_cap(tmp_path: Path) -> None:
    caps = [CapEntry(quantity="LAeq", window_s=60.0, limit_db=40.0)]
    hall = Hall(tmp_path, caps=caps, microphone=msgspec.structs.replace(MICROPHONE, calibration=None))
    hall.keeper._heard(RoomChange(laeq_dbfs=0.0, lceq_dbfs=0.0))
    assert hall.keeper.told is not None
    assert hall.keeper.told["room_caps"] == []
    assert hall.keeper.alarms == []


def test_what_is_not_known_is_never_told_as_well(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.morning(0)
    hall.morning(1, HeardSweeps(trouble="The microphone is overloaded."))
    assert hall.log[-1] == "not proven: Whether the outputs sound is not known. The microphone is overloaded."
    assert hall.keeper.alarms == ["Whether the outputs sound is not known. The microphone is overloaded."]
    assert hall.keeper.told is not None
    assert hall.keeper.told["found"] == {}


def hold(hall: Hall) -> None:
    hall.house.held_by = "the curator"


def lose(hall: Hall) -> None:
    hall.engine.snapshot.lost = "unplugged"


@pytest.mark.parametrize(
    ("spoil", "why"), [(hold, "somebody held the house"), (lose, "the sound device was lost")], ids=["held", "lost"]
)
def test_it_waits_while_somebody_holds_the_house_or_the_device_is_lost(
    tmp_path: Path, spoil: Callable[[Hall], None], why: str
) -> None:
    hall = Hall(tmp_path)
    spoil(hall)
    hall.at(NOON - timedelta(minutes=9))
    assert (hall.sounds, hall.log) == ([], [])
    hall.at(NOON - timedelta(seconds=15))
    assert hall.sounds == []
    assert why in hall.log[-1]
    hall.house.held_by = hall.engine.snapshot.lost = None
    hall.morning(1)
    assert len(hall.sounds) == 1


def test_nothing_sounds_where_the_time_before_the_opening_is_too_short_or_the_clock_is_unsure(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.at(NOON - timedelta(seconds=15))
    assert hall.sounds == []
    assert "too little time" in hall.log[-1]
    hall.times.doubt = "The clock is unsure."
    hall.morning(1)
    assert hall.sounds == []


def test_a_hold_during_the_proof_ends_its_sound(tmp_path: Path) -> None:
    hall = Hall(tmp_path)

    async def held_meanwhile(asked: Listen, play: Callable[[], float], held: Callable[[], bool]) -> HeardSweeps:
        play()
        hold(hall)
        assert held()
        return HeardSweeps(trouble="Somebody held the house meanwhile.")

    hall.keeper._hears = held_meanwhile
    hall.morning(0)
    assert not hall.sounds[-1].any()
    assert hall.sounds[-1].shape[1] < 10


@pytest.mark.parametrize(
    ("changed", "again"),
    [
        ({"output": {"left": Output(device_channel=1, trim_db=-3.0), "right": Output(device_channel=2)}}, True),
        ({"microphone": msgspec.structs.replace(MICROPHONE, input=2)}, True),
        ({"microphone": msgspec.structs.replace(MICROPHONE, before_opening_min=20.0)}, False),
        ({"place": "North hall"}, False),
    ],
    ids=["an output", "another input", "the time alone", "something else"],
)
def test_what_is_measured_otherwise_has_another_reference(
    tmp_path: Path, changed: Mapping[str, object], *, again: bool
) -> None:
    hall = Hall(tmp_path)
    hall.morning(0)
    hall.room = msgspec.structs.replace(hall.room, **changed)
    hall.start()
    assert (hall.keeper.kept.reference is None) == again


def test_a_note_that_is_spoilt_is_said_and_begun_again(tmp_path: Path) -> None:
    hall = Hall(tmp_path)
    hall.morning(0)
    (tmp_path / FILE_NAME).write_bytes(b"{}\ncrc32 00000000\n")
    hall.start()
    assert hall.log[-1].startswith("not proven: The last proof cannot be read")
    assert hall.keeper.kept.reference is None


@pytest.mark.parametrize("counted", ["late_blocks", "losses"])
def test_a_sweep_that_broke_off_is_no_reference_and_no_verdict(tmp_path: Path, counted: str) -> None:
    hall = Hall(tmp_path, tears=counted)
    hall.morning(0, heard(-24.0, -30.0))
    assert not any("is the reference" in line for line in hall.log)
    assert "The sweep broke off in between" in hall.log[-1]
    hall.tears = None
    hall.morning(1)
    hall.morning(2)
    assert hall.keeper.kept.reference == WELL.outputs
    assert hall.keeper.kept.lowered_db == 0.0
