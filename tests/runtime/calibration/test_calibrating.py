"""A whole calibration, with a fake technician in a simulated room: everything else is what people run."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from math import log, log10, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from residue.installation.load import read_room
from residue.installation.room_file import record
from residue.loudness.meters.weightings import Weighting, sections
from residue.loudness.outputs.calibration import Origin, low_offset_db
from residue.loudness.outputs.measurement import MOST_SPREAD_DB
from residue.loudness.stage.readings import Tally
from residue.output.returning import ReturningSink
from residue.output.sink import SinkLostError
from residue.problems import ProblemError
from residue.runtime.calibration.calibrating import Calibrating, identify
from residue.runtime.calibration.calibration_player import CalibrationPlayer, running
from tests.reference.analogue_meter import analogue_db
from tests.runtime.technician import METER_HOPS, RATE_HZ, FakeTechnician, Hall, Recorder

TODAY = date(2026, 5, 4)
ROOM = """\
place = "Kitchen"   # the one with the oven
device = "silent"
levels_at_the_ear = "unknown"

[output.left]
device_channel = 1   # by the door
trim_db = -6.0
{old}
[output.floor]
device_channel = 2
transducer = "{transducer}"

[[cap]]
quantity = "LAeq"
window_s = 900
limit_{unit} = {limit}
{more}
"""


class Bench:
    """A room.toml, a player on a recorder, and a technician."""

    def __init__(self, folder: Path, hall: Hall, **room: object) -> None:
        self.path = folder / "room.toml"
        values = {"old": "", "unit": "db", "limit": 100.0, "more": "", "transducer": "shaker"} | room
        self.path.write_text(ROOM.format(**values), encoding="utf-8")
        found, findings = read_room(self.path)
        assert found is not None, findings
        self.room = found
        self.recorder = Recorder()
        self.now_s = 0.0
        self.unplugged = False
        self.sink = ReturningSink(self._open, lambda: self.now_s, lambda s: None)
        self.tallies: list[Tally] = []
        self.remarks: list[str] = []
        self.player = CalibrationPlayer(self.sink, self.room.output, self.tallies.append)
        self.technician = FakeTechnician(self.player, self.recorder, hall)

    def _open(self) -> Recorder:
        if self.unplugged:
            raise SinkLostError("There is no sound device.")
        return self.recorder

    def walk(self) -> list[str]:
        def save(name: str, measured: object) -> None:
            record(self.path, name, measured)  # type: ignore[arg-type]

        return Calibrating(self.room, self.technician, self.player, Origin(on=TODAY), save, self.remarks.append).walk()


def loudest_second_db(sent: np.ndarray, hall: Hall, weighting: Weighting) -> float:
    """The loudest second at the visitor's place, by a meter that shares nothing with the cap stage."""
    weighted = signal.sosfilt(sections(weighting, RATE_HZ), sent, axis=1)
    power = sum(weighted[index] ** 2 * 10 ** (db / 10) for index, db in hall.full_scale_db.items())
    running_sum = np.cumsum(np.concatenate([np.zeros(RATE_HZ), power]))
    return float(10 * log10(np.max(running_sum[RATE_HZ:] - running_sum[:-RATE_HZ]) / RATE_HZ + 1e-30))


SETTLED_HOPS = 24
"""After a step the stage lets the noise rise for some 2 s."""


def noise_read(weighting: str, band_hz: tuple[float, float], readings: int) -> tuple[float, float]:
    """The level in dB of pink noise of a band under a weighting, and the standard deviation of a mean of readings.

    The mean square of noise over a time T has the relative standard deviation 1 / sqrt(B T), B being its statistical
    bandwidth, (the integral of its power density)² by the integral of its square: Bendat and Piersol, Random Data, 4th
    ed. 2010, chapter 8, from memory. In dB that is 10 / ln 10 times as much.
    """
    hz = np.linspace(*band_hz, 20_000)
    density = 10 ** (np.array([analogue_db(weighting, one) for one in hz]) / 10) / hz
    bandwidth_hz = np.trapezoid(density, hz) ** 2 / np.trapezoid(density**2, hz)
    level_db = 10 * log10(np.trapezoid(density, hz) / log(band_hz[1] / band_hz[0]))
    return level_db, 10 / log(10) / sqrt(bandwidth_hz * METER_HOPS * 0.1 * readings)


HALL = Hall({0: 108.0, 1: 112.0}, full_scale_aw={1: 60.0})


def test_a_room_is_calibrated_as_it_is(tmp_path: Path) -> None:
    cap = '[[cap]]\nquantity = "A(8) horizontal"\nlimit_m_per_s2 = 40.0\noutput = "floor"'
    bench = Bench(tmp_path, HALL, more=cap)
    bench.technician.vibration_meter = True
    bench.technician.listens_hops = METER_HOPS + SETTLED_HOPS
    bench.technician.instead = {"horizontal": iter(["much", *["0.003"] * 40])}
    assert bench.walk() == ["left", "floor"]
    room, findings = read_room(bench.path)
    assert room is not None, findings
    left, floor = room.output["left"].calibration, room.output["floor"].calibration
    assert left is not None
    assert floor is not None
    for one, full_db, band_hz in ((left, 108.0, (40.0, 10_000.0)), (floor, 112.0, (12.5, 160.0))):
        level_db, spread_db = noise_read("C", band_hz, readings=2)
        added_db = 10 * log10(1 + 10 ** ((50.0 - one.read_dbc) / 10))  # by the background
        assert added_db < 0.5
        assert abs(one.read_dbc - added_db - one.played_dbfs - (full_db + level_db)) < 3 * spread_db
    assert (left.readings, left.background_dba, left.background_dbc) == (2, 38.0, 50.0)
    assert left.spread_db is not None
    assert left.spread_db < MOST_SPREAD_DB, "of a meter of 2 s: with 15 s it is less"
    assert "The 2 readings spread by" in bench.technician.heard
    felt = room.output["floor"].vibration
    assert felt is not None
    level_db, spread_db = noise_read("Wk", (12.5, 160.0), readings=2)
    assert abs(20 * log10(felt.read_aw_m_per_s2 / 60.0) - felt.played_dbfs - level_db) < 3 * spread_db
    assert (left.on, felt.on) == (TODAY, TODAY)
    assert '"much" is not a reading. Write one number' in bench.technician.heard
    assert felt.read_horizontal_m_per_s2 == 0.003
    assert {asked.split()[0] for asked in bench.technician.asked if "horizontal" in asked} == {"floor"}
    written = bench.path.read_text(encoding="utf-8")
    assert "# the one with the oven" in written
    assert "# by the door" in written
    assert 'take levels_at_the_ear = "unknown" out of room.toml' in bench.technician.heard


def test_a_cap_on_vibration_asks_for_it_before_a_shaker_is_kept(tmp_path: Path) -> None:
    """Else `check` stops the house afterwards, and sends the technician here again."""
    cap = '[[cap]]\nquantity = "A(8) horizontal"\nlimit_m_per_s2 = 40.0'
    bench = Bench(tmp_path, HALL, more=cap)
    bench.technician.instead = {"Enter keeps it, +": iter(["", "", "k"])}  # left, and then floor
    assert bench.walk() == ["left", "floor"]
    assert bench.technician.heard.count("A cap limits vibration. Put a vibration meter on the floor") == 1
    assert "none was read. Write A, C and aw; or k to keep it without aw." in bench.technician.heard
    assert {asked.split()[0] for asked in bench.technician.asked if "(A C aw)" in asked} == {"floor"}
    assert "what a body feels of this output stays unknown" in bench.technician.heard


def test_a_background_of_which_a_and_c_were_swapped_is_asked_again(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"Nothing plays": iter(["50 38", "q"])}
    assert bench.walk() == []
    assert "50 dB(A) lies above 38 dB(C), and no sound reads so. Write A and then C" in bench.technician.heard


@pytest.mark.parametrize(
    ("hall", "limit"),
    [
        pytest.param(Hall({0: 148.0, 1: 146.0}), 90.0, id="the strongest amplifier"),
        pytest.param(Hall({0: 125.0, 1: 130.0}), 66.0, id="a low cap", marks=pytest.mark.long),
        pytest.param(
            Hall({0: 110.0, 1: 110.0}, background_dba=62.0, background_dbc=70.0),
            75.0,
            id="a loud street",
            marks=pytest.mark.long,
        ),
    ],
)
def test_nothing_that_is_sent_is_ever_louder_than_the_lowest_cap(tmp_path: Path, hall: Hall, limit: float) -> None:
    bench = Bench(tmp_path, hall, limit=limit)
    bench.technician.instead = {"Not 10 dB": iter(["", "", "", "k", "", "k"]), "Enter keeps": iter(["+"] * 8)}
    bench.walk()
    assert loudest_second_db(bench.recorder.frames, hall, Weighting.A) < limit


def test_the_loudest_place_counts_where_it_is_louder(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"at the loudest place": iter(["near", "90 70", "70.5 71.5", "q"])}
    assert bench.walk() == ["left"]
    room, findings = read_room(bench.path)
    assert room is not None, findings
    left = room.output["left"].calibration
    assert left is not None
    assert (left.loudest_dba, left.loudest_dbc) == (70.5, 71.5)
    assert '"near" is not a reading' in bench.technician.heard
    assert "read_dba lies +20.0 dB" in bench.technician.heard
    assert "dB louder there than at the visitor's, and counts for the caps" in bench.technician.heard


def test_the_lowest_band_of_a_loudspeaker_is_measured_with_the_weighting_that_the_meter_has(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)

    def answers() -> Iterator[str]:
        while (c_db := HALL.read(np.concatenate(bench.recorder.blocks[-20:], axis=1))[1]) < 62.0:
            yield "" if c_db < 55.0 else f"{c_db}"
            yield "+"
        yield from (str(c_db), "bass", str(c_db))

    bench.technician.listens_hops = METER_HOPS + SETTLED_HOPS
    bench.technician.instead = {
        "LZeq, LCeq or LGeq": iter(["K", "c"]),
        "Nothing plays. The meter reads (C)": iter(["50,0"]),
        "24 to 40 Hz": answers(),
        "floor": iter(["q"]),
    }
    assert bench.walk() == ["left"]
    room, findings = read_room(bench.path)
    assert room is not None, findings
    held = room.output["left"].low_band
    assert held is not None
    assert (held.weighting, held.low_hz, held.on) == ("C", 24.0, TODAY)
    _, spread_db = noise_read("C", (24.0, 40.0), readings=1)  # the same reading was told twice
    added_db = 10 * log10(1 + 10 ** ((50.0 - 62.0) / 10))  # by the background at most
    assert abs(low_offset_db(held) - (108.0 + added_db / 2)) < 3 * spread_db + added_db / 2, (
        "as loud there as elsewhere"
    )
    assert '"bass" is not a level.' in bench.technician.heard
    assert "Write Z, C or G" in bench.technician.heard
    assert loudest_second_db(bench.recorder.frames, HALL, Weighting.A) < 100.0


@pytest.mark.parametrize(
    ("turned_db", "said"),
    [
        pytest.param(0.0, "They agree within 1.5 dB.", marks=pytest.mark.long),
        (6.0, "A knob was turned up"),
        pytest.param(-9.0, "one is off or was turned down", marks=pytest.mark.long),
    ],
)
def test_all_outputs_together_are_held_against_their_sum(tmp_path: Path, turned_db: float, said: str) -> None:
    """The hall adds up energies; somebody turns an amplifier after its reading, or nobody does."""
    bench = Bench(tmp_path, Hall({0: 108.0, 1: 106.0}), transducer="speaker")
    turned = Hall({0: 108.0 + turned_db, 1: 106.0})

    def reading() -> Iterator[str]:
        a_db, c_db = turned.read(np.concatenate(bench.recorder.blocks[-20:], axis=1))
        yield f"{a_db} {c_db}"

    bench.technician.instead = {"All together": reading()}
    assert bench.walk() == ["left", "floor"]
    assert said in bench.technician.heard
    assert bench.remarks[0].startswith("All together read")
    assert said in bench.remarks[0]
    both = np.min(np.max(np.abs(bench.recorder.frames[:, -60 * 4800 :]), axis=1))
    assert both > 1e-3, "both sound at the end"


def test_readings_that_spread_are_told_before_they_are_kept(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {
        "left at -60 dBFS. The": iter(["60 61"]),
        "once more": iter(["", "61.4 62"]),
        "Enter keeps": iter(["q"]),
    }
    assert bench.walk() == []
    assert "One reading says nothing of its spread. Read the meter once more" in bench.technician.heard
    assert any("The readings spread by 0.99 dB" in question for question in bench.technician.asked)


def test_only_the_output_that_is_calibrated_sounds(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"floor at": iter(["q"])}
    bench.walk()
    peaks = np.array([np.max(np.abs(block), axis=1) for block in bench.recorder.blocks])
    assert np.all(np.max(peaks, axis=0) > 1e-3), "each has sounded"
    assert np.max(np.min(peaks, axis=1)) < 1e-7, "but never both"


@pytest.mark.long
def test_what_it_sent_is_told_and_never_less_than_arrives(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.walk()
    told = sum(10 ** (tally.sent["A at place, dB"] / 10) * tally.duration_s for tally in bench.tallies)
    sent = signal.sosfilt(sections(Weighting.A, RATE_HZ), bench.recorder.frames, axis=1)
    arriving = sum(np.sum(sent[index] ** 2) / RATE_HZ * 10 ** (db / 10) for index, db in HALL.full_scale_db.items())
    # Until a meter is read, an output counts as louder than any real one: 150 dB against its 108 and 112.
    assert arriving <= told <= arriving * 10 ** (42.0 / 10)
    assert all(tally.duration_s <= 1.0 for tally in bench.tallies)


def test_the_old_value_is_kept_and_what_has_changed_is_told(tmp_path: Path) -> None:
    old = "calibration = { played_dbfs = -20.0, read_dba = 80.0, read_dbc = 82.0, on = 2026-03-02 }"
    bench = Bench(tmp_path, HALL, old=old)
    bench.technician.instead = {"floor": iter(["s"]), "Nothing plays": iter(["38 50", "s"])}
    assert bench.walk() == ["left"]
    written = bench.path.read_text(encoding="utf-8")
    assert "# before: {played_dbfs = -20.0, read_dba = 80.0, read_dbc = 82.0, on = 2026-03-02}" in written
    assert "dB against the calibration of 2026-03-02" in bench.technician.heard
    assert "floor is left out" in bench.technician.heard


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["loud"], '"loud" is not a reading. Write two numbers'),
        (["62.5"], "is not a reading"),
        (["200 202"], "200 dB cannot be read in a room."),
        (["60 62 90"], "90 m/s² cannot be read"),
        (["95,5 70"], "read_dba lies +25.5 dB against read_dbc"),
        (["30 40"], "less than the 38 that was read with nothing playing"),
        (["k"], "The meter has not been read at this level."),
    ],
    ids=[
        "words",
        "one number",
        "200 dB",
        "a strong floor",
        "A above C",
        "below the background",
        "kept unread",
    ],
)
def test_an_answer_that_makes_no_sense_is_asked_again(tmp_path: Path, answers: list[str], said: str) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"left at": iter([*answers, "q"])}
    assert bench.walk() == []
    assert said in bench.technician.heard
    assert [question for question in bench.technician.asked if "left at -60 dBFS" in question][1:]


def test_a_reading_before_the_sound_has_settled_does_not_count(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    hasty = iter(["38 50", "60 62", "q"])
    bench.technician.ask = lambda question: next(hasty)  # type: ignore[method-assign]
    bench.walk()
    assert "The sound has only just begun. That reading does not count" in bench.technician.heard


def test_a_device_that_is_lost_voids_the_reading_and_the_noise_comes_back_with_a_fade(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    honest = bench.technician.ask
    times = iter(["honest", "honest", "honest", "lost", "honest", "quit"])

    def ask(question: str) -> str:
        event = next(times)
        if event == "quit":
            return "q"
        if event != "lost":
            return honest(question)
        bench.unplugged = True
        bench.sink.reopen("The sound device is gone.")
        answer = honest(question)
        bench.unplugged, bench.now_s = False, bench.now_s + 60.0
        return answer

    bench.technician.ask = ask  # type: ignore[method-assign]
    bench.walk()
    assert "That reading does not count" in bench.technician.heard
    assert bench.technician.asked[-1].startswith("left at -57 dBFS. The meter reads")
    peaks = [float(np.max(np.abs(block))) for block in bench.recorder.blocks]
    back = [at for at in range(1, len(peaks)) if peaks[at - 1] < 1e-6 < peaks[at]][-1]
    assert back > 100
    assert peaks[back] < 0.1 * max(peaks[back:]), "it comes back from nothing"


def test_an_output_is_begun_anew_after_an_amplifier_was_moved(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"left at -57": iter(["r"]), "left at -54": iter(["q"])}
    bench.walk()
    starts = [question for question in bench.technician.asked if "left at -60 dBFS. The meter" in question]
    assert len(starts) == 2


def test_nobody_there_any_more_ends_it_in_silence(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)

    def gone(question: str) -> str:
        if "Nothing plays" in question:
            return "38 50"
        raise EOFError

    bench.technician.ask = gone  # type: ignore[method-assign]
    assert bench.walk() == []
    for _ in range(20):
        bench.player.write_hop()
    assert bench.player.silent


def test_ctrl_c_fades_out_before_the_device_is_let_go(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)

    def interrupted(question: str) -> str:
        if "Nothing plays" in question:
            return "38 50"
        while bench.player.trouble() is not None:
            pass
        raise KeyboardInterrupt

    bench.technician.ask = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt), running(bench.player, bench.sink, pytest.fail):
        bench.walk()
    sent = bench.recorder.frames[0]
    assert np.max(np.abs(sent)) > 1e-4
    assert np.max(np.abs(sent[-4800:])) < 1e-7
    levels_db = 10 * np.log10(np.mean(sent[: sent.size // 4800 * 4800].reshape(-1, 4800) ** 2, axis=1) + 1e-30)
    last_loud = int(np.flatnonzero(levels_db > np.max(levels_db) - 6.0)[-1])
    falling = levels_db[last_loud : last_loud + 5] - np.max(levels_db)
    assert -15.0 < falling[1] < -4.0, falling
    assert falling[2] > -30.0, "it fades and is not cut"


def test_an_output_counts_its_number_until_somebody_ends_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    bench.technician.instead = {"dBFS": iter(["", "+", "-", "what?", "Q"])}
    bench.technician.listens_hops = 60
    identify(bench.room, "floor", bench.technician, bench.player)
    assert "floor is output 2 of 2" in bench.technician.heard
    assert [question.split(" ")[0] for question in bench.technician.asked] == ["-60", "-57", "-54", "-57", "-57"]
    assert np.max(np.abs(bench.recorder.frames[0])) < 1e-12
    last = bench.recorder.frames[1][-30 * 4800 :]
    sounding = np.convolve(np.abs(last), np.ones(480) / 480, mode="same") > 10 ** (-62 / 20)
    starts = np.flatnonzero(np.diff(sounding.astype(int)) == 1)
    gaps_s = [float(gap) for gap in np.diff(starts) / RATE_HZ if gap > 0.1]  # the fade may cross the threshold twice
    assert {round(gap / 0.413) for gap in gaps_s} == {1, 4}, "two pulses, then a longer pause"


def test_an_output_that_does_not_exist_is_named_with_the_nearest(tmp_path: Path) -> None:
    bench = Bench(tmp_path, HALL)
    with pytest.raises(ProblemError, match=r'No output is named "flor". Did you mean floor\?'):
        identify(bench.room, "flor", bench.technician, bench.player)
