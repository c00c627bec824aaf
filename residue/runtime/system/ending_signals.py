"""The signals with which somebody, or the machine, ends what sounds."""

from __future__ import annotations

import signal


def ending_signals() -> tuple[signal.Signals, ...]:
    """Ctrl-C, a shutdown, and a terminal that is closed, unless `nohup` has this one ignored."""
    closed = signal.SIGHUP
    ignored = signal.getsignal(closed) is signal.SIG_IGN
    return (signal.SIGINT, signal.SIGTERM) if ignored else (signal.SIGINT, signal.SIGTERM, closed)
