"""Caps as they stand in room.toml."""

import math
from datetime import date

import msgspec
import pytest

from residue.loudness.caps.caps import CapEntry, expand, protecting_caps
from residue.loudness.caps.ears import ear
from residue.loudness.caps.quantities import QUANTITIES
from residue.loudness.caps.rules import RULES
from residue.loudness.meters.weightings import Weighting
from residue.loudness.outputs.calibration import Calibration, offset_db, pink_level_db
from residue.loudness.outputs.outputs import Output
from residue.loudness.plan.plan import Plan, PlannedPerformance
from residue.loudness.plan.room_findings import check_room, plan_findings
from residue.problems import Severity

CALIBRATED = Calibration(played_dbfs=-20.0, read_dba=74.2, read_dbc=76.0, on=date(2026, 3, 2))


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, 'A cap is empty. Write rule = "who-2022", or quantity, window_s and limit_db.'),
        ({"rule": "who-2023"}, 'No rule is known as "who-2023". Did you mean who-2022?'),
        ({"rule": "who-2022", "limit_db": 90.0}, "also states limits of its own"),
        ({"rule": "who-2022", "output": "left"}, "names an output"),
        ({"quantity": "LAEQ", "window_s": 60.0, "limit_db": 90.0}, 'No quantity is known as "LAEQ"'),
        ({"quantity": "LAeq", "window_s": 60.0}, "needs one limit"),
        ({"quantity": "LAeq", "window_s": 60.0, "limit_db": 90.0, "limit_dbfs": -3.0}, "needs one limit"),
        ({"quantity": "LAeq", "limit_db": 90.0}, "has no window"),
        ({"quantity": "LAeq", "limit_db": 90.0, "window_s": 1.05}, "finer than 0.1 s"),
        ({"quantity": "LCpeak", "limit_db": 130.0, "window_s": 5.0}, "a maximum has none"),
    ],
)
def test_an_entry_that_does_not_stand_up_says_why(given: dict[str, object], said: str) -> None:
    with pytest.raises(msgspec.ValidationError) as raised:
        msgspec.convert(given, CapEntry)
    assert said in str(raised.value)


def test_entries_become_caps_with_names_for_people() -> None:
    caps = expand(
        [
            CapEntry(rule="fr-2017"),
            CapEntry(quantity="LCeq", window_s=900.0, limit_db=108.0),
            CapEntry(quantity="LZeq", window_s=90.0, limit_dbfs=-20.0, output="floor"),
            CapEntry(quantity="LCpeak", limit_db=135.0),
        ]
    )
    assert [(cap.name, cap.limit, cap.unit) for cap in caps] == [
        ("fr-2017, LAeq over 15 min", 102.0, "dB(A)"),
        ("fr-2017, LCeq over 15 min", 118.0, "dB(C)"),
        ("LCeq over 15 min", 108.0, "dB(C)"),
        ("LZeq of floor over 90 s", -20.0, "dBFS"),
        ("LCpeak", 135.0, "dB(C)"),
    ]


def test_a_cap_that_stands_twice_is_kept_once() -> None:
    assert len(expand([CapEntry(rule="who-2022"), CapEntry(rule="who-2022")])) == 1


# The figures as published; sources in RULES, checked by a person against their text.
@pytest.mark.parametrize(
    ("rule", "limits"),
    [
        ("who-2022", {("LAeq", 900.0, 100.0)}),
        ("din-15905-5", {("LAeq", 1800.0, 99.0), ("LCpeak", 0.0, 135.0)}),
        ("ch-93", {("LAeq", 3600.0, 93.0), ("LAFmax", 0.0, 125.0)}),
        ("ch-96", {("LAeq", 3600.0, 96.0), ("LAFmax", 0.0, 125.0)}),
        ("ch-100", {("LAeq", 3600.0, 100.0), ("LAFmax", 0.0, 125.0)}),
        ("fr-2017", {("LAeq", 900.0, 102.0), ("LCeq", 900.0, 118.0)}),
        ("fr-2017-children", {("LAeq", 900.0, 94.0), ("LCeq", 900.0, 104.0)}),
        ("eu-staff-lower", {("LAeq", 28_800.0, 80.0), ("LCpeak", 0.0, 134.96)}),
        ("eu-staff-upper", {("LAeq", 28_800.0, 85.0), ("LCpeak", 0.0, 136.9)}),
        ("eu-staff-limit", {("LAeq", 28_800.0, 87.0), ("LCpeak", 0.0, 140.0)}),
        ("niosh", {("LAeq", 28_800.0, 85.0)}),
    ],
)
def test_published_rules_have_their_published_figures(rule: str, limits: set[tuple[str, float, float]]) -> None:
    assert {(limit.quantity, limit.window_s, limit.limit) for limit in RULES[rule].limits} == limits


# Directive 2003/10/EC, Article 3, states peaks in pascals; a level is re 20 uPa (IEC 61672-1:2013, 3).
@pytest.mark.parametrize(
    ("rule", "pascal"), [("eu-staff-lower", 112), ("eu-staff-upper", 140), ("eu-staff-limit", 200)]
)
def test_a_peak_in_pascals_is_never_rounded_up(rule: str, pascal: float) -> None:
    (limit_db,) = (limit.limit for limit in RULES[rule].limits if limit.quantity == "LCpeak")
    exactly = 20.0 * math.log10(pascal / 20e-6)
    assert exactly - 0.01 <= limit_db <= exactly + 1e-9


@pytest.mark.parametrize("name", RULES)
def test_every_rule_says_where_it_comes_from(name: str) -> None:
    rule = RULES[name]
    assert rule.source
    assert rule.wording.endswith(".")
    assert all(limit.quantity in QUANTITIES for limit in rule.limits)
    assert all((limit.window_s > 0) == (QUANTITIES[limit.quantity].windowed) for limit in rule.limits)


def test_the_bound_on_long_term_power_is_a_cap_of_its_output() -> None:
    (cap,) = protecting_caps(
        {"left": Output(device_channel=1), "floor": Output(device_channel=2, long_term_dbfs=-18.0, long_term_s=30.0)}
    )
    assert (cap.at, cap.limit, cap.window_s, cap.physical) == ("floor", -18.0, 30.0, False)


def test_a_physical_cap_stops_where_an_output_has_no_calibration() -> None:
    outputs = {"left": Output(device_channel=1, calibration=CALIBRATED), "floor": Output(device_channel=2)}
    entries = [CapEntry(rule="who-2022"), CapEntry(quantity="LCeq", window_s=900.0, limit_dbfs=-30.0)]
    findings = check_room(entries, outputs, ears_unknown=True)
    assert [str(finding) for finding in findings if finding.severity is Severity.STOPS] == [
        "room.toml: cap[1]: It limits the level at the ear, but output floor has no calibration. "
        "Calibrate every output (residue calibrate), or state a limit_dbfs."
    ]


def test_a_room_without_calibration_must_say_so_outright() -> None:
    entries = [CapEntry(quantity="LCeq", window_s=900.0, limit_dbfs=-30.0)]
    outputs = {"left": Output(device_channel=1)}
    assert check_room(entries, outputs, ears_unknown=True) == []
    (finding,) = check_room(entries, outputs, ears_unknown=False)
    assert finding.severity is Severity.STOPS
    assert 'levels_at_the_ear = "unknown"' in finding.mend


@pytest.mark.parametrize(
    ("entries", "warned"),
    [
        ([CapEntry(rule="who-2022")], True),
        ([CapEntry(quantity="LKeq", window_s=60.0, limit_dbfs=-20.0)], True),
        ([CapEntry(rule="who-2022"), CapEntry(quantity="LCpeak", limit_db=135.0)], True),
        ([CapEntry(rule="who-2022"), CapEntry(quantity="LCeq", window_s=900.0, limit_db=110.0)], False),
        ([CapEntry(rule="fr-2017")], False),
    ],
)
def test_a_room_that_caps_only_what_hardly_sees_bass_is_warned(entries: list[CapEntry], *, warned: bool) -> None:
    findings = check_room(entries, {"left": Output(device_channel=1, calibration=CALIBRATED)}, ears_unknown=False)
    assert any("No cap covers the lowest sounds" in finding.what for finding in findings) == warned


def test_readings_that_do_not_go_together_are_named() -> None:
    swapped = Calibration(played_dbfs=-20.0, read_dba=86.0, read_dbc=74.2, on=date(2026, 3, 2))
    findings = check_room(
        [CapEntry(rule="fr-2017")], {"left": Output(device_channel=1, calibration=swapped)}, ears_unknown=False
    )
    assert [finding.where for finding in findings] == ["room.toml: output.left.calibration"]
    assert "read_dba lies +11.8 dB against read_dbc" in findings[0].what


def test_a_cap_that_never_decides_is_noted() -> None:
    entries = [CapEntry(rule="who-2022"), CapEntry(quantity="LAeq", window_s=900.0, limit_db=85.0)]
    findings = check_room(entries, {"left": Output(device_channel=1, calibration=CALIBRATED)}, ears_unknown=False)
    (note,) = [finding for finding in findings if finding.severity is Severity.NOTES]
    assert note.what == "who-2022, LAeq over 15 min allows 100 dB(A), but LAeq over 15 min only 85 dB(A)."


def test_a_cap_that_leaves_next_to_nothing_of_a_performance_is_named() -> None:
    lowered = PlannedPerformance("loud", -47.3, "40 dB(A) over 15 min", ())
    (finding,) = plan_findings(Plan((lowered, PlannedPerformance("quiet", -12.0, "the same", ()))))
    assert finding.where == "performances/loud"
    assert "lowered by 47.3 dB so that 40 dB(A) over 15 min is never exceeded" in finding.what


def test_an_output_that_does_not_exist_is_named_with_the_nearest() -> None:
    entries = [CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-20.0, output="flor")]
    outputs = {"floor": Output(device_channel=1)}
    (finding,) = check_room(entries, outputs, ears_unknown=True)
    assert str(finding) == 'room.toml: cap[1].output: No output is named "flor". Did you mean floor?'


def test_a_physical_ear_needs_a_calibration() -> None:
    with pytest.raises(ValueError, match=r"output\.left has no calibration"):
        ear({"left": Output(device_channel=1)}, "place", Weighting.A, physical=True)


def test_the_calibration_noise_weighs_as_pink_noise_does() -> None:
    # Against an independent sum over the analogue curves of IEC 61672-1, Annex E, 40 Hz to 10 kHz in 1/96 octaves.
    import math

    def c_power(f: float) -> float:
        return (12194.217**2 * f**2 / ((f**2 + 20.599**2) * (f**2 + 12194.217**2))) ** 2 * 10**0.0062

    def a_power(f: float) -> float:
        pair = (f**2 + 107.653**2) * (f**2 + 737.862**2)
        return c_power(f) / 10**0.0062 * f**4 / pair * 10**0.2

    grid = [40.0 * 2 ** ((k + 0.5) / 96) for k in range(int(96 * math.log2(250)))]
    for weighting, power in ((Weighting.A, a_power), (Weighting.C, c_power)):
        expected = 10 * math.log10(sum(map(power, grid)) / len(grid))
        assert pink_level_db(weighting, "speaker") == pytest.approx(expected, abs=0.03)


def test_the_offset_turns_what_was_played_into_what_was_read() -> None:
    played_a = CALIBRATED.played_dbfs + pink_level_db(Weighting.A, "speaker")
    assert played_a + offset_db(CALIBRATED, Weighting.A, "speaker") == pytest.approx(CALIBRATED.read_dba)
    played_c = CALIBRATED.played_dbfs + pink_level_db(Weighting.C, "speaker")
    assert played_c + offset_db(CALIBRATED, Weighting.C, "speaker") == pytest.approx(CALIBRATED.read_dbc)


@pytest.mark.parametrize(
    ("entries", "severity", "said"),
    [
        (
            [CapEntry(rule="ch-93"), CapEntry(rule="ch-100")],
            Severity.WARNS,
            "Two rules contradict each other: ch-100, LAeq over 1 h allows 100 dB(A), but ch-93, LAeq over 1 h only 93",
        ),
        (
            [CapEntry(rule="who-2022"), CapEntry(quantity="LAeq", window_s=3600.0, limit_db=102.0)],
            Severity.NOTES,
            "LAeq over 1 h allows 102 dB(A), but who-2022, LAeq over 15 min only 100 dB(A).",
        ),
        (
            [CapEntry(quantity="LAeq", window_s=900.0, limit_db=33.0)],
            Severity.WARNS,
            "LAeq over 15 min allows 33 dB(A), about 33 dB at the ear: a gallery at night.",
        ),
        (
            [CapEntry(quantity="LAeq", window_s=900.0, limit_dbfs=-70.0)],
            Severity.WARNS,
            "LAeq over 15 min allows -70 dBFS(A), about 26 dB at the ear: a gallery at night.",
        ),
    ],
    ids=["two rules", "a longer window", "inaudible", "inaudible in the wire"],
)
def test_caps_that_do_not_go_together_or_leave_nothing_are_named(
    entries: list[CapEntry], severity: Severity, said: str
) -> None:
    entries = [*entries, CapEntry(quantity="LCeq", window_s=900.0, limit_db=110.0)]
    findings = check_room(entries, {"left": Output(device_channel=1, calibration=CALIBRATED)}, ears_unknown=False)
    (finding,) = [finding for finding in findings if said in finding.what]
    assert finding.severity is severity
    assert finding.mend


def test_a_room_that_is_calibrated_and_says_it_is_not_is_told() -> None:
    findings = check_room(
        [CapEntry(rule="fr-2017")], {"left": Output(device_channel=1, calibration=CALIBRATED)}, ears_unknown=True
    )
    assert [finding.where for finding in findings] == ["room.toml: levels_at_the_ear"]
