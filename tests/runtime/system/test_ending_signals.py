"""What ends it, what `nohup` has it pass over, and what is so again afterwards."""

from __future__ import annotations

import signal

import pytest

from residue.runtime.system.ending_signals import ending_signals, handled


@pytest.mark.parametrize(("handling", "ends"), [(signal.SIG_DFL, True), (signal.SIG_IGN, False)], ids=["", "nohup"])
def test_a_closed_terminal_ends_it_unless_that_is_passed_over(handling: signal.Handlers, *, ends: bool) -> None:
    former = signal.signal(signal.SIGHUP, handling)
    try:
        assert (signal.SIGHUP in ending_signals()) == ends
    finally:
        signal.signal(signal.SIGHUP, former)


def test_a_signal_is_handled_within_the_context_and_does_afterwards_what_it_did_before() -> None:
    came: list[int] = []
    before = signal.getsignal(signal.SIGHUP)
    with handled((signal.SIGHUP,), lambda number, _: came.append(number)):
        signal.raise_signal(signal.SIGHUP)
    assert came == [signal.SIGHUP]
    assert signal.getsignal(signal.SIGHUP) is before
