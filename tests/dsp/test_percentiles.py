"""Running percentiles against numpy.percentile, to the bit."""

import numpy as np
import pytest

from residue.dsp.percentiles import RunningPercentiles


@pytest.mark.parametrize("most", [1, 2, 10, 61])
def test_they_are_those_of_numpy_over_the_last_values(most: int) -> None:
    drawn = np.random.default_rng(most)
    values = drawn.standard_normal(200) * 10.0 ** drawn.integers(-9, 9, 200)
    values[drawn.random(200) < 0.3] = 0.5  # equal values, of which one leaves
    percentiles = RunningPercentiles(most, (0.1, 0.5, 0.9))
    for n, value in enumerate(values.tolist()):
        recent = values[max(0, n + 1 - most) : n + 1]
        assert percentiles(value) == np.percentile(recent, (10.0, 50.0, 90.0)).tolist()
