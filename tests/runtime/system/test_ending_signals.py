"""What ends it, and what `nohup` has it pass over."""

from __future__ import annotations

import signal

import pytest

from residue.runtime.system.ending_signals import ending_signals


@pytest.mark.parametrize(("handling", "ends"), [(signal.SIG_DFL, True), (signal.SIG_IGN, False)], ids=["", "nohup"])
def test_a_closed_terminal_ends_it_unless_that_is_passed_over(handling: signal.Handlers, *, ends: bool) -> None:
    former = signal.signal(signal.SIGHUP, handling)
    try:
        assert (signal.SIGHUP in ending_signals()) == ends
    finally:
        signal.signal(signal.SIGHUP, former)
