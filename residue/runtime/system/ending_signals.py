"""The signals with which a person, or the machine, ends the sound."""

from __future__ import annotations

import signal


def ending_signals() -> tuple[signal.Signals, ...]:
    """Ctrl-C, a shutdown, and a closed terminal, unless `nohup` makes the process ignore the last one."""
    closed = signal.SIGHUP
    ignored = signal.getsignal(closed) is signal.SIG_IGN
    return (signal.SIGINT, signal.SIGTERM) if ignored else (signal.SIGINT, signal.SIGTERM, closed)
