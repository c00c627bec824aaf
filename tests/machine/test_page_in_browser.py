"""The page in a real browser without a screen: it looks at itself again, and nothing is kept from working.

Debian package: chromium-headless-shell.
"""

from __future__ import annotations

import itertools
import struct
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from queue import Queue

import pytest
from waitress.server import create_server

from residue.page.link import HouseAnswer, PageStart, Question
from residue.page.web import HousePage
from residue.page.yesterday import Yesterday
from tests.machine.needs import need
from tests.notices.servers import free_tcp_port
from tests.page.told import answer

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


def browse(house: House, folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    own = ["--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}", "--enable-logging=stderr"]
    size = "--window-size={},{}".format(*PHONE)
    command = [BROWSER, *own, size, *options, f"http://127.0.0.1:{house.port}/"]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=200)


def test_the_script_brings_the_page_up_to_date_and_the_policy_blocks_nothing(house: House, tmp_path: Path) -> None:
    """25 s of the browser's own time hold two looks of the script, which it takes at once."""
    done = browse(house, tmp_path, "--dump-dom", "--virtual-time-budget=25000")
    assert "now at 1:00" not in done.stdout
    assert "now at 3:00" in done.stdout
    assert 'id="lost" class="alert" role="alert" hidden=""' in done.stdout
    assert "Content Security Policy" not in done.stderr
    assert "Refused to" not in done.stderr


def test_it_fits_the_width_of_a_phone(house: House, tmp_path: Path) -> None:
    """The picture has the size of the screen: PNG, section 11.2.2 IHDR, width and height."""
    browse(house, tmp_path, f"--screenshot={tmp_path / 'page.png'}", "--hide-scrollbars")
    assert struct.unpack(">II", (tmp_path / "page.png").read_bytes()[16:24]) == PHONE
