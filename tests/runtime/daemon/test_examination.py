from __future__ import annotations

import pytest

from residue.runtime.daemon.examination import PACE_S, DevicePace
from residue.runtime.engine.snapshot import Snapshot
from residue.runtime.house.house_state import FADE_S, MAY_SOUND, State
from residue.watchdog.vitals import Vitals
from residue.watchdog.watch import Watchdog


def seen(rate_hz: float, seconds: int, **last: object) -> float | None:
    """The pace after so many looks, a second apart, at a device that takes whole blocks at some rate."""
    pace = DevicePace()
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


def test_a_hold_after_a_performance_was_passed_over_is_no_sound_that_must_not_be() -> None:
    """Two fades in a row, and peaks that are told a second longer."""
    fading = round(FADE_S)
    states = [State.PLAYING] * 60 + [State.OPENING] * fading + [State.HELD] * (fading + 1)
    watchdog = Watchdog()
    for second, state in enumerate(states):
        now = Vitals(monotonic_s=float(second), frames=second * 48_000, sent_peak=0.1, may_sound=state in MAY_SOUND)
        assert watchdog.look(now) == []
