"""What the picture of a trace explains."""

from __future__ import annotations

import numpy as np
import pytest

from residue.mapping.signals import Kind
from residue.mapping.trust import trust_of
from residue.runtime.offline.trace_picture import draw
from residue.runtime.offline.tracing import Trace


@pytest.mark.parametrize("reads_body", [True, False])
def test_the_grey_of_a_picture_is_explained_where_a_reading_may_be_grey(*, reads_body: bool) -> None:
    times_s = np.arange(10) / 10
    columns = {"rate": np.full(10, 60.0)} | ({trust_of("rate"): times_s} if reads_body else {})
    traced = Trace("Oven Watch", {"rate": Kind.SLOW}, times_s, columns, [], [])
    label = draw(traced).axes[-1].get_xlabel()
    assert label.startswith("time in the performance")
    assert label.endswith("grey: held or not known") == reads_body
