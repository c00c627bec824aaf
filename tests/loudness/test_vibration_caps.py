"""Caps on what a body feels: in room.toml, at the ear of the governor, and in the plan."""

from datetime import date

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.calibration.calibration_signals import pink_noise
from residue.loudness.caps.caps import CapEntry, expand, level_in_words, reached_in_words
from residue.loudness.caps.ears import ear, ear_of, ears
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Calibration, VibrationCalibration
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import PlannedPerformance, plan
from residue.loudness.plan.profile import profile
from residue.loudness.plan.room_findings import check_room
from residue.loudness.stage.budget import Budget
from residue.loudness.stage.history import SentHistory, SentRow
from residue.loudness.stage.stage import CapStage
from residue.problems import Severity
from tests.reference.analogue_meter import dose, equivalent_db, weighted

Floats = NDArray[np.float64]
RATE_HZ = 48_000
DAY = date(2026, 3, 2)
HEARD = Calibration(played_dbfs=-20.0, read_dba=66.0, read_dbc=88.0, on=DAY)
FELT = VibrationCalibration(played_dbfs=-20.0, read_aw_m_per_s2=0.2, on=DAY)
SPEAKER = Output(device_channel=1)
FLOOR = Output(device_channel=2, transducer="shaker", vibration=FELT)
OUTPUTS = {"left": SPEAKER, "floor": FLOOR}


def wk(frequency_hz: Floats) -> Floats:
    """The magnitude of Wk as ISO 8041-1:2017, Table 3, defines it for s = jw; nothing of the project in it."""
    s = 2j * np.pi * np.maximum(frequency_hz, 1e-3)
    w = {name: 2 * np.pi * hz for name, hz in (("1", 0.4), ("2", 100.0), ("3", 12.5), ("5", 2.37), ("6", 3.35))}
    band = 1 / (1 + 2**0.5 * w["1"] / s + (w["1"] / s) ** 2) / (1 + 2**0.5 * s / w["2"] + (s / w["2"]) ** 2)
    transition = (1 + s / w["3"]) / (1 + s / (0.63 * w["3"]) + (s / w["3"]) ** 2)
    step = (1 + s / (0.91 * w["5"]) + (s / w["5"]) ** 2) / (1 + s / (0.91 * w["6"]) + (s / w["6"]) ** 2)
    magnitude: Floats = np.abs(band * transition * step) * (w["5"] / w["6"]) ** 2
    return magnitude


def acceleration_m_per_s2(sent: Floats) -> Floats:
    """(frames,): the weighted acceleration by a meter of its own, by which the calibration noise reads as it did."""
    noise = pink_noise("shaker").loop * 10 ** (FELT.played_dbfs / 20)

    def weighted(signal: Floats) -> Floats:
        spectrum = np.fft.rfft(signal)
        frequency_hz = np.linspace(0.0, RATE_HZ / 2, len(spectrum))
        filtered: Floats = np.fft.irfft(spectrum * wk(frequency_hz), len(signal))
        return filtered

    scale = FELT.read_aw_m_per_s2 / np.sqrt(np.mean(weighted(noise) ** 2))
    scaled: Floats = weighted(sent) * scale
    return scaled


def rumble(seconds: float, level_dbfs: float) -> Floats:
    loop = pink_noise("shaker").loop[: round(seconds * RATE_HZ)] * 10 ** (level_dbfs / 20)
    return np.stack([loop, loop])


@pytest.mark.parametrize("place", [None, "floor"])
def test_no_window_of_a_vibration_cap_is_exceeded(place: str | None) -> None:
    caps = expand([CapEntry(quantity="aw", window_s=2.0, limit_m_per_s2=0.5, output=place)])
    stage = CapStage(OUTPUTS, caps)
    sent = stage.process(np.concatenate([rumble(6.0, -4.0), np.zeros((2, 9600))], axis=1)).frames
    felt = acceleration_m_per_s2(np.pad(sent[1], (0, 2 * RATE_HZ)))
    power = np.cumsum(np.concatenate([np.zeros(2 * RATE_HZ), felt**2]))
    highest = np.sqrt(np.max(power[2 * RATE_HZ :] - power[: -2 * RATE_HZ]) / (2 * RATE_HZ))
    assert 0.45 < highest <= 0.5 * 1.005  # the bilinear transform and the record's ends leave half a percent


@pytest.mark.parametrize("shaken", [["floor"], ["left", "floor"]], ids=["one output", "two that add up"])
def test_no_window_of_a_cap_on_the_dose_is_exceeded(shaken: list[str]) -> None:
    outputs = {name: msgspec.structs.replace(OUTPUTS[name], vibration=FELT, transducer="shaker") for name in shaken}
    caps = expand([CapEntry(quantity="VDV", window_s=2.0, limit_m_per_s1_75=0.8)])
    stage = CapStage(outputs, caps)
    blow = rumble(6.0, -8.0)[: len(shaken)]
    blow[:, 100_000:110_000] *= 4.0
    sent = stage.process(np.concatenate([blow, np.zeros((len(shaken), 9600))], axis=1)).frames
    felt = acceleration_m_per_s2(np.pad(np.sum(sent, axis=0), (0, 2 * RATE_HZ)))
    dose = np.cumsum(np.concatenate([np.zeros(2 * RATE_HZ), felt**4])) / RATE_HZ
    highest = np.max(dose[2 * RATE_HZ :] - dose[: -2 * RATE_HZ]) ** 0.25
    assert 0.6 < highest <= 0.8 * 1.005
    (reading,) = [cap for cap in stage.reading().caps if cap.name == "VDV over 2 s"]
    assert (reading.unit, stage.reading().cut_hops) == ("dB re 1 m/s^1.75", 0)
    assert reading.level <= reading.limit


def test_a_dose_is_told_as_it_was_felt() -> None:
    """Against the definition over the whole record, ISO 2631-1, 6.3.2, by a meter of the test's own."""
    caps = expand([CapEntry(quantity="VDV", window_s=10.0, limit_m_per_s1_75=2.0)])
    stage = CapStage(OUTPUTS, caps)
    sent = stage.process(np.concatenate([rumble(6.0, -20.0), np.zeros((2, 40 * 4800))], axis=1)).frames
    felt = acceleration_m_per_s2(np.pad(sent[1], (0, 2 * RATE_HZ)))
    (reading,) = stage.reading().caps
    expected = 20 * exact.log10(float((np.sum(felt**4) / RATE_HZ) ** 0.25))
    assert reading.level == pytest.approx(expected, abs=0.05)


def test_the_dose_that_the_log_keeps_is_the_one_that_the_cap_counts() -> None:
    """Two shakers in opposite phase: somewhere they meet, and then twice the amplitude is felt.

    A meter would most likely read the sum of squares, 3.01 dB less; noise that comes by ways that differ, up to 0.4 dB.
    """
    outputs = {
        name: msgspec.structs.replace(OUTPUTS[name], vibration=FELT, transducer="shaker") for name in ("left", "floor")
    }
    stage = CapStage(outputs, expand([CapEntry(quantity="VDV", window_s=10.0, limit_m_per_s1_75=2.0)]))
    shaken = rumble(6.0, -30.0)
    shaken[1] *= -1.0
    stage.process(np.concatenate([shaken, np.zeros((2, 20 * 4800))], axis=1))
    (reading,), tally = stage.reading().caps, stage.take_tally()
    kept_db = tally.sent["Wk at place, dB re 1 m/s², fourth power, at most"] + 10 * np.log10(tally.duration_s)
    assert kept_db / 2 == pytest.approx(reading.level, abs=0.05)
    assert 3.0 < reading.level - 20 * exact.log10(tally.place.vdv) < 3.42
    assert tally.place.vdv > tally.outputs["floor"].vdv


def floor_db(planned: PlannedPerformance) -> float:
    """The whole of what is planned for the shaker."""
    return planned.gain_db + planned.lowering.alone_db.get("floor", 0.0)


def test_the_plan_lowers_a_piece_until_its_dose_holds() -> None:
    caps = expand([CapEntry(quantity="VDV", window_s=600.0, limit_m_per_s1_75=1.0)])
    made = plan([("dense", profile([rumble(20.0, -8.0)], OUTPUTS, caps))], 0.0, caps, OUTPUTS).performances[0]
    # Noise of 0.2 m/s² at -20 dBFS: 0.796 at -8, and normal noise has a mean fourth power of 3 sigma^4 (closed form),
    # so ten minutes give 3^(1/4) 0.796 600^(1/4) = 5.19: 14.3 dB too much, and the knee.
    assert -15.3 < floor_db(made) < -13.9
    assert "floor lowered by" in made.words
    assert "1 m/s^1.75 over 10 min" in made.words
    lowered = rumble(20.0, -8.0) * exact.gain_from_db(floor_db(made))
    (near,) = [near for near in made.nearest if near.cap == caps[0]]
    again = plan([("dense", profile([lowered], OUTPUTS, caps))], 0.0, caps, OUTPUTS).performances[0]
    assert floor_db(again) == pytest.approx(0.0, abs=0.011)
    assert again.nearest[0].level == pytest.approx(near.level, abs=0.02)


def test_a_dose_that_no_log_tells_counts_as_spent() -> None:
    (cap,) = expand([CapEntry(quantity="VDV", window_s=100.0, limit_m_per_s1_75=1.0)])
    ear = ear_of(cap, OUTPUTS)
    known = SentHistory([SentRow(10.0, 10.0, {ear.key: 10 * exact.log10(0.5**4)})])
    assert Budget(cap, ear, known).level() == pytest.approx(20 * exact.log10((10.0 * 0.5**4) ** 0.25), abs=0.01)
    assert Budget(cap, ear, SentHistory([SentRow(10.0, 100.0, {})])).level() == pytest.approx(cap.limit, abs=0.01)


def test_the_plan_lowers_a_piece_until_the_day_of_an_attendant_holds() -> None:
    caps = expand([CapEntry(quantity="A(8)", limit_m_per_s2=0.1)])
    [made] = plan([("dense", profile([rumble(20.0, -8.0)], OUTPUTS, caps))], 0.0, caps, OUTPUTS).performances
    # -8 dBFS is 12 dB above what was read as 0.2 m/s², and 0.1 m/s² lies 6 dB below it: 18 dB, without a rest. The
    # governor's knee, a fiftieth of the window at the loudest hop, takes half a dB more.
    assert -18.7 < floor_db(made) <= -17.9
    assert made.words.startswith("dense: lowered by")
    assert "0.1 m/s² over 8 h" in made.words


def test_levels_of_what_is_felt_are_told_in_metres_per_second_squared() -> None:
    (cap,) = expand([CapEntry(rule="eu-vibration-action")])
    assert cap.limit_in_words == "0.5 m/s²"
    assert cap.limit == pytest.approx(20 * exact.log10(0.5))
    assert level_in_words(-20.0, cap.unit) == "0.1 m/s²"
    assert reached_in_words(-20.0, cap.limit, cap.unit) == "0.1 of 0.5 m/s²"
    assert reached_in_words(float("-inf"), cap.limit, cap.unit) == "silence of 0.5 m/s²"
    assert reached_in_words(99.26, 100.0, "dB(A)") == "99.3 of 100 dB(A)"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"quantity": "aw", "window_s": 60.0, "limit_db": 90.0}, "limits a vibration. Write limit_m_per_s2"),
        ({"quantity": "VDV", "window_s": 60.0, "limit_m_per_s2": 0.5}, "Write limit_m_per_s1_75, and no other"),
        ({"quantity": "VDV", "limit_m_per_s1_75": 9.1}, "has no window"),
        ({"quantity": "A(8)", "limit_m_per_s2": 0.5, "window_s": 60.0}, "over eight hours by its name"),
        ({"quantity": "aw", "limit_m_per_s2": 0.5}, "has no window"),
        ({"quantity": "LAeq", "window_s": 60.0, "limit_m_per_s2": 0.5}, "needs one limit"),
        ({"rule": "eu-vibration-limit", "limit_m_per_s2": 0.5}, "also states limits of its own"),
    ],
)
def test_an_entry_that_does_not_stand_up_says_why(given: dict[str, object], said: str) -> None:
    with pytest.raises(msgspec.ValidationError, match=said.replace("(", r"\(")):
        msgspec.convert(given, CapEntry)


@pytest.mark.parametrize(
    ("outputs", "entry", "missing"),
    [
        ({"floor": SPEAKER}, CapEntry(quantity="A(8)", limit_m_per_s2=0.5), "floor"),
        ({"left": SPEAKER, "floor": FLOOR}, CapEntry(quantity="A(8)", limit_m_per_s2=0.5), None),
        ({"left": SPEAKER, "floor": FLOOR}, CapEntry(quantity="A(8)", limit_m_per_s2=0.5, output="left"), "left"),
        (
            {"seat": Output(device_channel=1, transducer="shaker"), "floor": FLOOR},
            CapEntry(rule="eu-vibration-action"),
            "seat",
        ),
    ],
    ids=["nothing measured", "a speaker need not be", "the output named", "every shaker"],
)
def test_a_vibration_cap_needs_a_vibration_calibration(
    outputs: dict[str, Output], entry: CapEntry, missing: str | None
) -> None:
    findings = check_room(
        [CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-3.0), entry], outputs, ears_unknown=True
    )
    stopping = [finding for finding in findings if finding.severity is Severity.STOPS]
    assert [finding.where for finding in stopping] == (["room.toml: cap[2]"] if missing else [])
    assert all(f"output {missing} has no vibration calibration" in finding.what for finding in stopping)


def test_an_ear_says_which_vibration_was_not_measured() -> None:
    with pytest.raises(ValueError, match=r"output\.floor was not measured with Wd"):
        ear(OUTPUTS, "floor", Weighting.WD, physical=True)


TO_AND_FRO = msgspec.structs.replace(FLOOR, vibration=msgspec.structs.replace(FELT, read_horizontal_m_per_s2=0.1))


@pytest.mark.parametrize(
    ("entry", "limit"),
    [
        (CapEntry(quantity="aw horizontal", window_s=2.0, limit_m_per_s2=0.2), 0.2),
        (CapEntry(quantity="VDV horizontal", window_s=2.0, limit_m_per_s1_75=0.4, output="floor"), 0.4),
    ],
    ids=["mean", "dose"],
)
def test_no_window_of_a_cap_on_horizontal_vibration_is_exceeded(entry: CapEntry, limit: float) -> None:
    stage = CapStage({"left": SPEAKER, "floor": TO_AND_FRO}, expand([entry]))
    sent = stage.process(np.concatenate([rumble(6.0, -4.0), np.zeros((2, 4 * 4800))], axis=1)).frames[1]
    noise = pink_noise("shaker").loop
    scale = 0.1 / (10 ** (FELT.played_dbfs / 20) * np.sqrt(np.mean(weighted(noise, "Wd") ** 2)))
    if entry.quantity == "aw horizontal":
        highest = 10 ** (equivalent_db(sent, "Wd", 2.0) / 20) * scale
    else:
        highest = dose(sent, "Wd", 2.0) * scale
    assert 0.85 * limit < highest <= limit * 1.005


def test_a_cap_on_horizontal_vibration_needs_its_reading() -> None:
    entry = CapEntry(quantity="aw horizontal", window_s=60.0, limit_m_per_s2=0.2)
    [finding] = check_room([entry], {"left": SPEAKER, "floor": FLOOR}, ears_unknown=True)
    assert (finding.severity, finding.where) == (Severity.STOPS, "room.toml: cap[1]")
    assert "the vibration calibration of output floor says nothing of it" in finding.what
    assert "residue calibrate" in finding.mend
    assert check_room([entry], {"left": SPEAKER, "floor": TO_AND_FRO}, ears_unknown=True) == []


def test_the_day_of_horizontal_vibration_counts_it_one_point_four_times() -> None:
    # Directive 2002/44/EC, Annex, Part B: 1.4 awx, 1.4 awy, awz.
    outputs = {"left": SPEAKER, "floor": TO_AND_FRO}
    daily, felt = expand(
        [
            CapEntry(quantity="A(8) horizontal", limit_m_per_s2=0.5),
            CapEntry(quantity="aw horizontal", window_s=28_800.0, limit_m_per_s2=0.5),
        ]
    )
    stage = CapStage(outputs, [daily, felt])
    stage.process(rumble(3.0, -30.0))
    levels = {cap.name: cap.level for cap in stage.reading().caps}
    assert daily.limit_in_words == "0.5 m/s²"
    assert levels["A(8) horizontal"] - levels[felt.name] == pytest.approx(20 * exact.log10(1.4), abs=1e-3)
    tally = stage.take_tally()
    place, floor = tally.place, tally.outputs["floor"]
    assert place.aw_horizontal == pytest.approx(floor.aw_horizontal)
    assert place.vdv_horizontal == pytest.approx(floor.vdv_horizontal)
    spent_s2 = 10 ** (levels[felt.name] / 10) * 28_800.0
    assert 10 ** (place.aw_horizontal / 10) * tally.duration_s == pytest.approx(spent_s2, rel=0.01)
    kept = {ear.key for ear in ears(outputs, [])}
    assert ear_of(daily, outputs).key in kept, "so that it can come into force under way"


def test_a_horizontal_reading_in_the_wrong_unit_is_named() -> None:
    strong = msgspec.structs.replace(FELT, read_horizontal_m_per_s2=40.0)
    findings = check_room([], {"floor": msgspec.structs.replace(FLOOR, vibration=strong)}, ears_unknown=True)
    assert "room.toml: output.floor.vibration" in [finding.where for finding in findings]


def test_a_reading_in_the_wrong_unit_is_named() -> None:
    millimetres = msgspec.structs.replace(FELT, played_dbfs=-30.0, read_aw_m_per_s2=8.0)
    outputs = {"floor": msgspec.structs.replace(FLOOR, vibration=millimetres, calibration=HEARD)}
    findings = check_room([CapEntry(rule="fr-2017")], outputs, ears_unknown=False)
    assert [finding.where for finding in findings] == ["room.toml: output.floor.vibration"]
    assert "not mm/s²" in findings[0].mend


@pytest.mark.parametrize("late_s", [0.03, 0.06, 0.08])
def test_what_rings_after_a_push_is_foreseen(late_s: float) -> None:
    """50 ms from the top of a tone of 4 Hz at full scale, and silence, in which Wd rings for a second."""
    felt = msgspec.structs.replace(FELT, read_horizontal_m_per_s2=0.2)
    floor = Output(device_channel=1, transducer="shaker", vibration=felt, subsonic_hz=3.0, long_term_dbfs=None)
    limit = 0.05
    stage = CapStage({"floor": floor}, expand([CapEntry(quantity="aw horizontal", window_s=1.0, limit_m_per_s2=limit)]))
    time = np.arange(2 * RATE_HZ) / RATE_HZ - 1.0 - late_s
    push = np.where((time >= 0.0) & (time < 0.05), np.cos(2 * np.pi * 4.0 * time), 0.0)
    sent = stage.process(push[np.newaxis]).frames[0]
    noise = np.tile(pink_noise("shaker").loop, 2) * 10 ** (felt.played_dbfs / 20)
    scale_db = 20 * np.log10(0.2 / np.sqrt(np.mean(weighted(noise, "Wd")[len(noise) // 2 :] ** 2)))
    reached_db = equivalent_db(sent, "Wd", 1.0) + scale_db - 20 * np.log10(limit)
    assert -1.0 < reached_db <= 0.0
