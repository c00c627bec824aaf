"""Figures for monitoring, read by the parsers of prometheus_client."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, cast

import msgspec
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as prometheus

from residue.page.figures import STATES, VERDICTS, figures
from residue.proof.judging import Judged, OutputVerdict
from residue.runtime.house.house_state import State
from tests.page.told import answer
from tests.runtime.daemon.test_status import NOW

SILENT: dict[str, Any] = {"room_laeq_db": None, "room_lceq_db": None, "unit": "dBFS", "room_caps": []}
OPENMETRICS = "application/openmetrics-text; version=1.0.0"


def samples_of(parser: Any, body: bytes) -> list[Any]:
    return [sample for family in parser(body.decode()) for sample in family.samples]


def read(accept: str, parser: Any, alarms: tuple[str, ...] = ()) -> dict[tuple[str, frozenset[str]], float]:
    """By name and values of labels."""
    told = answer(alarms=alarms)
    body, kind = figures(told.status, told.reread_age_s, accept)
    assert kind.startswith("application/openmetrics-text" if accept == OPENMETRICS else "text/plain")
    samples = samples_of(parser, body)
    return {(one.name, frozenset(one.labels.values())): one.value for one in samples}


@pytest.mark.parametrize(
    ("accept", "parser"), [(OPENMETRICS, openmetrics), ("text/plain", prometheus), ("", prometheus)]
)
def test_both_formats_say_what_the_status_says(accept: str, parser: Any) -> None:
    found, told = read(accept, parser, ("The disk is full.",)), answer().status
    [cap] = cast(list[dict[str, Any]], told["caps"])
    name = frozenset({cap["name"], cap["unit"]})
    assert found["residue_cap_level", name] == pytest.approx(cap["level"])
    assert found["residue_cap_limit", name] == cap["limit"]
    assert found["residue_cap_headroom_db", name] == pytest.approx(cap["limit"] - cap["level"])
    assert found["residue_gain_db", frozenset({"trim"})] == -6.0
    assert found["residue_house", frozenset({"playing"})] == 1.0
    assert found["residue_house", frozenset({"closed"})] == 0.0
    assert found["residue_alarms", frozenset()] == 1.0
    assert found["residue_attention", frozenset()] == 2.0, "the alarm and the trim"
    assert found["residue_late_blocks_total", frozenset()] == 0.0
    assert found["residue_nightly_reading_age_seconds", frozenset()] == 21_861.0


def test_a_house_that_has_read_nothing_yet_tells_no_age() -> None:
    told = answer()
    body, _ = figures(told.status, None, "")
    assert b"nightly" not in body


def test_what_the_microphone_heard_is_among_the_figures() -> None:
    found = {
        "left": Judged(verdict=OutputVerdict.LOUDER, drift_db=6.1),
        "right": Judged(verdict=OutputVerdict.NOT_HEARD),
    }
    cap = {"name": "who", "level": 101.5, "limit": 100.0, "headroom_db": -1.5, "unit": "dB(A)"}
    room = {"room_laeq_db": 71.5, "room_lceq_db": None, "unit": "dB re 20 uPa", "room_caps": [cap]}
    proof = {"at": NOW - timedelta(hours=2), "found": msgspec.to_builtins(found), "lowered_db": -6.5, **room}
    body, _ = figures(answer(proof=proof).status, None, OPENMETRICS)
    ours = [one for one in samples_of(openmetrics, body) if one.name.startswith(("residue_proof", "residue_room"))]
    told = {(one.name, *sorted(one.labels.values())): one.value for one in ours}
    verdicts = {key: value for key, value in told.items() if key[0] == "residue_proof_verdict" and value}
    assert verdicts == {
        ("residue_proof_verdict", "left", "louder"): 1.0,
        ("residue_proof_verdict", "not heard", "right"): 1.0,
    }
    assert {key: value for key, value in told.items() if key[0] != "residue_proof_verdict"} == {
        ("residue_proof_age_seconds",): 7_200.0,
        ("residue_proof_drift_db", "left"): 6.1,
        ("residue_proof_lowered_db",): -6.5,
        ("residue_room_level_db", "A", "dB re 20 uPa"): 71.5,
        ("residue_room_cap_level", "dB(A)", "who"): 101.5,
        ("residue_room_cap_headroom_db", "dB(A)", "who"): -1.5,
    }


def test_a_house_that_has_proven_nothing_yet_tells_no_age_of_it() -> None:
    proof: dict[str, Any] = {
        "at": None,
        "found": {},
        "lowered_db": 0.0,
        "room_laeq_db": None,
        "room_lceq_db": None,
        "unit": "dBFS",
        "room_caps": [],
    }
    body, _ = figures(answer(proof=proof).status, None, "")
    assert b"proof_age" not in body
    assert b"residue_proof_lowered_db 0.0" in body


def test_every_verdict_of_a_proof_is_among_the_figures() -> None:
    assert set(VERDICTS) == {str(verdict) for verdict in OutputVerdict}


def test_every_state_of_the_house_is_among_the_figures() -> None:
    assert set(STATES) == {str(state) for state in State}
