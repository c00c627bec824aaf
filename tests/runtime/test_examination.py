from __future__ import annotations

import pytest

from residue.runtime.engine import Snapshot
from residue.runtime.examination import PACE_S, Pace


def seen(rate_hz: float, seconds: int, **last: object) -> float | None:
    """The pace after so many looks, a second apart, at a device that takes whole blocks at some rate."""
    pace = Pace()
    found = None
    for second in range(seconds):
        frames = int(rate_hz * second) // 4_800 * 4_800
        troubles = last if second >= seconds - 5 else {}
        found = pace.look(float(second), Snapshot(frames=frames, **troubles))  # type: ignore[arg-type]
    return found


@pytest.mark.parametrize("rate_hz", [48_000, 44_100, 96_000])
def test_the_pace_of_a_device_is_known_after_a_while(rate_hz: int) -> None:
    assert seen(rate_hz, round(PACE_S)) is None
    assert seen(rate_hz, round(PACE_S) + 40) == pytest.approx(rate_hz / 48_000, abs=0.006)


@pytest.mark.parametrize("trouble", [{"lost": "It is unplugged."}, {"losses": 1}, {"late_blocks": 2}])
def test_a_loss_or_a_gap_begins_it_anew(trouble: dict[str, object]) -> None:
    assert seen(44_100, 60, **trouble) is None
