"""The page in a real browser without a screen: it looks at itself again, and nothing is kept from working.

Debian package: chromium-headless-shell.
"""

from __future__ import annotations

import itertools
import re
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from queue import Queue

import pytest
from waitress.server import create_server

from residue.page.link import HouseAnswer, PageStart, Question
from residue.page.view import page
from residue.page.web import HousePage
from residue.page.yesterday import Yesterday
from residue.runtime.survey.columns import columns
from residue.runtime.survey.examining import commissioned
from residue.runtime.survey.page import page as survey_page
from tests.machine.needs import need
from tests.notices.servers import free_tcp_port
from tests.page.told import answer
from tests.runtime.survey.collection import piece
from tests.runtime.survey.test_page import played

pytestmark = pytest.mark.machine

BROWSER = "chromium-headless-shell"
PHONE = (390, 844)
"""The width and height of a usual phone, in CSS pixels; common practice, no source."""


class House:
    """A house that plays a little longer at each question, behind a real server."""

    def __init__(self) -> None:
        self.questions: Queue[Question] = Queue()
        self.port = free_tcp_port()
        start = PageStart(
            listen="127.0.0.1",
            port=self.port,
            metrics=False,
            networks=("127.0.0.1/32",),
            names=(),
            key="seven loaves",
            day_line=("true",),
            report=("true",),
        )
        app = HousePage(start, self._answer, Yesterday(("true",), ("true",)), itertools.count().__next__).app
        self.server = create_server(app, host="127.0.0.1", port=self.port)
        threading.Thread(target=self.server.run, daemon=True).start()

    def _answer(self, question: Question) -> HouseAnswer:
        self.questions.put(question)
        told = answer()
        return HouseAnswer(status={**told.status, "playhead_s": 60.0 * self.questions.qsize()}, today=told.today)


@pytest.fixture
def house() -> Iterator[House]:
    need(BROWSER)
    one = House()
    yield one
    one.server.close()


def browse(address: str, folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """The page as it stands in the end, on standard output, and what the browser has to say."""
    own = ["--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}", "--enable-logging=stderr"]
    size = "--window-size={},{}".format(*PHONE)
    command = [BROWSER, *own, size, *options, "--dump-dom", address]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=200)


def test_the_script_brings_the_page_up_to_date_and_the_policy_blocks_nothing(house: House, tmp_path: Path) -> None:
    """25 s of the browser's own time hold two looks of the script, which it takes at once."""
    done = browse(f"http://127.0.0.1:{house.port}/", tmp_path, "--virtual-time-budget=25000")
    assert "now at 1:00" not in done.stdout
    assert "now at 3:00" in done.stdout
    assert 'id="lost" class="alert" role="alert" hidden=""' in done.stdout
    assert "Content Security Policy" not in done.stderr
    assert "Refused to" not in done.stderr


def test_it_fits_the_width_of_a_phone(tmp_path: Path) -> None:
    """Nothing stands beyond the edge of the screen. Source: CSSOM View, scrollWidth of an element."""
    need(BROWSER)
    text = page(answer(), "Mon 2026-03-02: every cap was kept.", may_wish=True)
    assert width_needed(text, tmp_path) == PHONE[0]


def test_the_page_of_a_survey_fits_it_too(tmp_path: Path) -> None:
    """Its tables are wider than a phone, and scroll within themselves."""
    need(BROWSER)
    columned = columns(commissioned(piece(tmp_path / "piece"))[0].graph)
    rows = [played(number) for number in range(70)]
    text = survey_page("Bread Shelf", {"residue": "0"}, columned, rows)
    assert width_needed(text, tmp_path) == PHONE[0]


def width_needed(text: str, folder: Path) -> int:
    """The width of a page on a phone, in CSS pixels."""
    measured = "<script>document.title = document.documentElement.scrollWidth</script>"
    (folder / "page.html").write_text(text + measured, encoding="utf-8")
    done = browse(f"file://{folder}/page.html", folder / "browser", "--hide-scrollbars")
    [width] = re.findall(r"<title>(\d+)</title>", done.stdout)
    return int(width)
