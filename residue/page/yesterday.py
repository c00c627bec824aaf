"""Line and report about the day before, made once a day by processes of their own; the page never waits for them."""

from __future__ import annotations

import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import cast

MAKING = "This is being worked out. Look again in a minute."
_LONGEST_S = 600.0
_PAGE = "report.html"


class Yesterday:
    """Keeps the last line and the last report. line, report: commands, to which the day is added."""

    def __init__(self, line: Sequence[str], report: Sequence[str]) -> None:
        self._line = line
        self._report = report
        self._made: dict[tuple[str, date], str] = {}
        self._making: set[tuple[str, date]] = set()

    def line(self, now: object) -> str:
        """The line about the day before. now: the time of the place, in ISO 8601."""
        return self._kept("line", _day_before(now), self._make_line) or MAKING

    def report(self, now: object) -> str | None:
        """The report as HTML; None while it is being made."""
        return self._kept("report", _day_before(now), self._make_report)

    def _kept(self, what: str, day: date, make: Callable[[date], str]) -> str | None:
        key = what, day
        if key not in self._made and key not in self._making:
            self._making.add(key)
            name = f"yesterday's {what}"
            threading.Thread(target=self._work, args=(key, make), name=name, daemon=True).start()
        return self._made.get(key)

    def _work(self, key: tuple[str, date], make: Callable[[date], str]) -> None:
        made = make(key[1])
        self._made = {other: text for other, text in self._made.items() if other[0] != key[0]} | {key: made}
        self._making.discard(key)

    def _make_line(self, day: date) -> str:
        done = _run([*self._line, day.isoformat()])
        return done.stdout.strip() if done and done.returncode == 0 else f"Nothing is known of {day:%a %Y-%m-%d}."

    def _make_report(self, day: date) -> str:
        with tempfile.TemporaryDirectory() as folder:
            done = _run([*self._report, "--day", day.isoformat(), "--out", folder])
            made = Path(folder, _PAGE)
            if made.exists():
                return made.read_text(encoding="utf-8")
        from residue.page.view import refusal

        return refusal("No report", done.stderr.strip() if done else "The report could not be made in time.")


def _run(command: Sequence[str]) -> subprocess.CompletedProcess[str] | None:
    try:
        return subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=_LONGEST_S, check=False
        )
    except (subprocess.TimeoutExpired, OSError):
        return None


def _day_before(now: object) -> date:
    return datetime.fromisoformat(cast(str, now)).date() - timedelta(days=1)
