"""Figures for monitoring, read by the parsers of prometheus_client."""

from __future__ import annotations

from typing import Any, cast

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as prometheus

from residue.page.figures import STATES, figures
from residue.runtime.house.house_state import State
from tests.page.told import answer

OPENMETRICS = "application/openmetrics-text; version=1.0.0"


def read(accept: str, parser: Any, alarms: tuple[str, ...] = ()) -> dict[tuple[str, frozenset[str]], float]:
    """By name and values of labels."""
    told = answer(alarms=alarms)
    body, kind = figures(told.status, told.reread_age_s, accept)
    assert kind.startswith("application/openmetrics-text" if accept == OPENMETRICS else "text/plain")
    samples = [sample for family in parser(body.decode()) for sample in family.samples]
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


def test_every_state_of_the_house_is_among_the_figures() -> None:
    assert set(STATES) == {str(state) for state in State}
