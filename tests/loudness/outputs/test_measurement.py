"""The margin that a measurement asks for, against the worked examples of the standards."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import log10, sqrt
from statistics import stdev
from typing import Literal

import msgspec
import pytest

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.outputs.calibration import Calibration
from residue.loudness.outputs.measurement import (
    COVERAGE,
    MeasuredWith,
    check_measurement,
    margin_db,
    measurement_notes,
    reading_uncertainty_db,
    stricter_measurement,
)
from residue.loudness.outputs.outputs import Output
from residue.problems import Severity

CLASS_1, CLASS_2 = MeasuredWith(meter_class=1), MeasuredWith(meter_class=2)


def output(readings: int | None = None, spread_db: float | None = None) -> Output:
    known = Calibration(
        played_dbfs=-20.0, read_dba=74.2, read_dbc=76.0, on=date(2026, 3, 2), readings=readings, spread_db=spread_db
    )
    return Output(device_channel=1, calibration=known)


def test_the_uncertainty_is_that_of_the_worked_example_of_iso_9612() -> None:
    """ISO 9612:2009, Annex D (task based): LEX,8h 84.3 dB with U = 2.7 dB, by a meter with u2 = 1.5 dB.

    Each task counts by its share of the energy of the day; its uncertainty is that of readings, meter and place.
    """
    tasks: list[tuple[Sequence[float], float]] = [
        ([70.0], 1.5),
        ([80.1, 82.2, 79.6], 5.0),
        ([86.5, 92.4, 89.3, 93.2, 87.8, 86.2], 1.5),
    ]
    energies = [hours / 8.0 * sum(10 ** (one / 10) for one in read) / len(read) for read, hours in tasks]
    assert 10 * log10(sum(energies)) == pytest.approx(84.3, abs=0.05)
    variance = 0.0
    for (read, _), energy in zip(tasks, energies, strict=True):
        spread_db = stdev(read) if len(read) > 1 else 0.0
        known = output(len(read), spread_db).calibration
        assert known is not None
        of_meter = (CLASS_2.own_margin_db / COVERAGE) ** 2
        variance += (energy / sum(energies)) ** 2 * (reading_uncertainty_db(known) ** 2 + of_meter)
    assert COVERAGE * sqrt(variance) == pytest.approx(2.7, abs=0.05)


@pytest.mark.parametrize(
    ("measurement", "outputs", "expected"),
    [
        pytest.param(None, [output()], 0.0, id="nothing is said of a meter"),
        pytest.param(CLASS_1, [output()], 2.1, id="class 1: 1.65 times the root of 0.7² + 1²"),
        pytest.param(CLASS_2, [output()], 3.0, id="class 2: 1.65 times the root of 1.5² + 1²"),
        pytest.param(MeasuredWith(meter_class=1, margin_db=0.0), [output()], 0.0, id="stated: none"),
        pytest.param(MeasuredWith(meter_class=1, margin_db=2.3), [output(2, 0.0)], 2.3, id="stated"),
        pytest.param(None, [output(4, 2.0)], 1.7, id="of the spread alone: 1.65 times 2 dB by the root of 4"),
        pytest.param(CLASS_2, [output(), output(4, 2.0)], 3.5, id="of the worst output, and rounded up from 3.41"),
    ],
)
def test_the_margin_is_of_meter_place_and_spread(
    measurement: MeasuredWith | None, outputs: list[Output], expected: float
) -> None:
    assert margin_db(measurement, outputs) == expected


def test_only_caps_in_db_at_an_ear_are_lowered_and_say_so() -> None:
    entries = [
        CapEntry(rule="who-2022"),
        CapEntry(quantity="LCeq", window_s=60.0, limit_db=90.0, output="left"),
        CapEntry(quantity="LZeq", window_s=60.0, limit_dbfs=-20.0),
        CapEntry(quantity="aw", window_s=60.0, limit_m_per_s2=0.5),
    ]
    words = [cap.limit_in_words for cap in expand(entries, 2.1)]
    assert words == [
        "97.9 dB(A) (100 less a margin of 2.1)",
        "87.9 dB(C) (90 less a margin of 2.1)",
        "-20 dBFS",
        "0.5 m/s²",
    ]


@pytest.mark.parametrize(
    ("after_db", "found"),
    [(94.0, []), (94.5, []), (93.5, []), (94.6, [Severity.STOPS]), (93.4, [Severity.STOPS]), (None, [])],
)
def test_a_meter_that_drifted_by_more_than_half_a_decibel_is_not_believed(
    after_db: float | None, found: list[Severity]
) -> None:
    """ISO 9612:2009, 12.2, from memory: the series is discarded if the checks differ by more than 0.5 dB."""
    held = MeasuredWith(meter_class=1, calibrator_before_db=94.0, calibrator_after_db=after_db)
    assert [finding.severity for finding in check_measurement(held, {"left": output()})] == found


def test_readings_that_spread_too_far_are_told() -> None:
    held = MeasuredWith(meter_class=1, calibrator_before_db=94.0, calibrator_after_db=94.0)
    (finding,) = check_measurement(held, {"left": output(3, 0.3), "right": output(3, 0.9)})
    assert finding.where == "room.toml: output.right.calibration.spread_db"
    assert "spread by 0.9 dB" in finding.what


def test_the_larger_margin_holds_while_the_house_runs() -> None:
    assert stricter_measurement(None, CLASS_1) == CLASS_1
    assert stricter_measurement(CLASS_1, None) == CLASS_1
    assert stricter_measurement(CLASS_1, CLASS_2) == CLASS_2
    assert stricter_measurement(CLASS_2, CLASS_1) == CLASS_2


def test_caps_on_vibration_have_a_margin_of_their_own() -> None:
    """1.65 times the root of 1/3 and 1 is 1.91 dB, in tenths 2.0; a factor of 0.794."""
    entries = [
        CapEntry(quantity="aw", window_s=60.0, limit_m_per_s2=0.5),
        CapEntry(quantity="LAeq", window_s=60.0, limit_db=90.0),
    ]
    felt, heard = expand(entries, CLASS_1.own_margin_db, CLASS_1.felt_margin_db)
    assert felt.margin_db == 2.0
    assert felt.limit == pytest.approx(20 * log10(0.5) - 2.0)
    assert felt.limit_in_words == "0.397 m/s² (0.5 less a margin of 2 dB)"
    assert heard.margin_db == CLASS_1.own_margin_db
    stated = MeasuredWith(meter_class=1, vibration_margin_db=3.5)
    assert stated.felt_margin_db == 3.5
    both = stricter_measurement(stated, CLASS_2)
    assert both is not None
    assert (both.meter_class, both.felt_margin_db) == (2, 3.5)


CHECKED = MeasuredWith(meter_class=1, calibrator_before_db=94.0, calibrator_after_db=94.1)


@pytest.mark.parametrize(
    ("measurement", "said"), [(None, "Nothing says which meter"), (CLASS_1, "was not checked"), (CHECKED, None)]
)
def test_what_nobody_said_of_the_measurement_is_told(measurement: MeasuredWith | None, said: str | None) -> None:
    told = [finding.what for finding in measurement_notes(measurement, {"left": output()})]
    assert (said is None and not told) or (said is not None and said in told[0])


@pytest.mark.parametrize(
    ("transducer", "background_dba", "background_dbc", "said"),
    [
        ("speaker", 64.2, 66.0, None),
        ("speaker", None, None, None),
        (
            "speaker",
            64.3,
            50.0,
            "The A reading is only 9.9 dB above its background: the output alone gives about 0.5",
        ),
        (
            "speaker",
            40.0,
            73.0,
            "The C reading is only 3.0 dB above its background: the output alone gives about 3.0",
        ),
        ("speaker", 74.2, 50.0, "The A reading is no higher than its background"),
        ("shaker", 74.2, 66.0, None),
    ],
)
def test_a_reading_that_is_partly_of_the_background_is_told(
    transducer: Literal["speaker", "shaker"],
    background_dba: float | None,
    background_dbc: float | None,
    said: str | None,
) -> None:
    """ISO 1996-2:2017, formula 16: 3.0 dB above it, as much again is of the background."""
    known = output().calibration
    assert known is not None
    known = msgspec.structs.replace(known, background_dba=background_dba, background_dbc=background_dbc)
    room = {"left": Output(device_channel=1, transducer=transducer, calibration=known)}
    held = MeasuredWith(meter_class=1, calibrator_before_db=94.0, calibrator_after_db=94.0)
    assert [found.what.startswith(said or "") for found in measurement_notes(held, room)] == [True] * (said is not None)
