"""Of two lists of caps, the strictest of both."""

from __future__ import annotations

import pytest

from residue.loudness.caps.caps import CapEntry, expand
from residue.loudness.caps.tightening import stricter_caps, tightened_caps

LAEQ = CapEntry(quantity="LAeq", window_s=900.0, limit_db=95.0)
LOWER = CapEntry(quantity="LAeq", window_s=900.0, limit_db=90.0)
HIGHER = CapEntry(quantity="LAeq", window_s=900.0, limit_db=103.0)
SHORTER = CapEntry(quantity="LAeq", window_s=60.0, limit_db=99.0)
OF_LEFT = CapEntry(quantity="LAeq", window_s=900.0, limit_db=70.0, output="left")
IN_THE_WIRE = CapEntry(quantity="LAeq", window_s=900.0, limit_dbfs=-30.0)
PEAK = CapEntry(quantity="LCpeak", limit_db=120.0)
WHO = CapEntry(rule="who-2022")


@pytest.mark.parametrize(
    ("kept", "wanted", "then"),
    [
        pytest.param([LAEQ], [LOWER], [LOWER], id="lower"),
        pytest.param([LAEQ], [HIGHER], [LAEQ], id="higher"),
        pytest.param([LAEQ], [], [LAEQ], id="taken out"),
        pytest.param([LAEQ], [LAEQ, PEAK], [LAEQ, PEAK], id="one more"),
        pytest.param([LAEQ], [SHORTER], [LAEQ, SHORTER], id="another window is another cap"),
        pytest.param([LAEQ], [OF_LEFT], [LAEQ, OF_LEFT], id="another place too"),
        pytest.param([LAEQ], [IN_THE_WIRE], [LAEQ, IN_THE_WIRE], id="in the wire too"),
        pytest.param([LAEQ], [WHO], [LAEQ], id="a rule that allows more"),
        pytest.param([HIGHER], [WHO], [HIGHER, WHO], id="a rule that asks for more"),
        pytest.param([WHO], [HIGHER], [WHO], id="more than a rule allows"),
        pytest.param([WHO], [LAEQ], [WHO, LAEQ], id="less than a rule allows"),
        pytest.param([PEAK, LAEQ], [LOWER, PEAK], [PEAK, LOWER], id="in another order"),
    ],
)
def test_no_limit_becomes_higher(kept: list[CapEntry], wanted: list[CapEntry], then: list[CapEntry]) -> None:
    assert tightened_caps(kept, wanted) == then
    assert list(stricter_caps(expand(then), expand(wanted))) == []
    assert list(stricter_caps(expand(then), expand(kept))) == []


def test_the_caps_that_ask_for_more_are_named() -> None:
    assert [cap.name for cap in stricter_caps(expand([LAEQ]), expand([LOWER, PEAK, HIGHER]))] == [
        "LAeq over 15 min",
        "LCpeak",
    ]
