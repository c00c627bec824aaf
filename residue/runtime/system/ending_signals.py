"""The signals with which a person, or the machine, ends the sound."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from types import FrameType


def ending_signals() -> tuple[signal.Signals, ...]:
    """Ctrl-C, a shutdown, and a closed terminal, unless `nohup` makes the process ignore the last one."""
    closed = signal.SIGHUP
    ignored = signal.getsignal(closed) is signal.SIG_IGN
    return (signal.SIGINT, signal.SIGTERM) if ignored else (signal.SIGINT, signal.SIGTERM, closed)


@contextmanager
def handled(numbers: Iterable[signal.Signals], handle: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    """Within the context these signals call `handle`; after it they do what they did before."""
    former = {number: signal.signal(number, handle) for number in numbers}
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
