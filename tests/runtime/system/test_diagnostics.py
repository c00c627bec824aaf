import io
import logging

import pytest

from residue.runtime.system.diagnostics import MOST_WAITING, Diagnostics


def test_messages_reach_standard_error_without_traceback_marks() -> None:
    out = io.StringIO()
    with Diagnostics(out) as diagnostics:
        logging.getLogger("residue").warning("The sound device is back.")
        diagnostics.show("playing first-batch")
    diagnostics._thread.join()
    assert out.getvalue() == "The sound device is back.\nplaying first-batch\n"


def test_the_journal_gets_priorities_and_no_passing_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "8:1234")
    out = io.StringIO()
    with Diagnostics(out) as diagnostics:
        logging.getLogger("residue").error("The device is gone.")
        diagnostics.show("playing first-batch")
    diagnostics._thread.join()
    assert out.getvalue() == "<3>The device is gone.\n"


def test_how_much_is_logged_is_afterwards_as_it_was_before() -> None:
    loggers = (logging.getLogger(), logging.getLogger("apscheduler"))
    before = [logger.level for logger in loggers]
    with Diagnostics(io.StringIO()):
        assert [logger.level for logger in loggers] == [logging.INFO, logging.ERROR]
    assert [logger.level for logger in loggers] == before


@pytest.mark.timeout(20)
def test_nobody_waits_for_a_standard_error_that_takes_nothing() -> None:
    diagnostics = Diagnostics(io.StringIO())  # not entered: its thread takes nothing
    for _ in range(MOST_WAITING + 7):
        diagnostics.show("a line")
    assert diagnostics.dropped == 7
