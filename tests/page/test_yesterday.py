"""Line and report about the day before, by commands of a test."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from residue.page.yesterday import MAKING, Yesterday

NOW = "2026-03-03T00:10:00+01:00"
LINE = (sys.executable, "-c", "import sys; print('day', sys.argv[1])")
REPORT = (
    sys.executable,
    "-c",
    "import sys, pathlib; pathlib.Path(sys.argv[4], 'report.html').write_text('<p>' + ' '.join(sys.argv[1:4]))",
)
FAILING = (sys.executable, "-c", "import sys; sys.exit('There is no <level> log.')")


def finished() -> None:
    for thread in threading.enumerate():
        if thread is not threading.current_thread() and thread.daemon and thread.name.startswith("yesterday"):
            thread.join()


def test_nobody_waits_and_each_is_made_once_a_day(tmp_path: Path) -> None:
    one = Yesterday(LINE, REPORT)
    assert (one.line(NOW), one.report(NOW)) == (MAKING, None)
    finished()
    assert one.line(NOW) == "day 2026-03-02"
    assert one.report(NOW) == "<p>--day 2026-03-02 --out"
    assert one.line("2026-03-04T00:10:00+01:00") == MAKING
    finished()
    assert one.line("2026-03-04T00:10:00+01:00") == "day 2026-03-03"


def test_what_cannot_be_made_is_said() -> None:
    one = Yesterday(FAILING, FAILING)
    one.line(NOW), one.report(NOW)
    finished()
    assert one.line(NOW) == "Nothing is known of Mon 2026-03-02."
    assert "There is no &lt;level&gt; log." in str(one.report(NOW))
