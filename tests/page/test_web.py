"""Who is answered, and what a wish needs; every answer is looked at by the standard library's checker of WSGI."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from typing import Any
from urllib.parse import urlencode
from wsgiref.util import setup_testing_defaults
from wsgiref.validate import validator

import pytest

from residue.page.link import HouseAnswer, PageStart, Question
from residue.page.view import POLICY
from residue.page.web import KEPT_S, KEYS_BURST, KEYS_PER_S, HousePage
from residue.page.yesterday import MAKING, Yesterday
from tests.page.told import answer

KEY = "sieben Brötchen"
PHONE = "192.0.2.30"


class House:
    """A house that keeps what it is asked, and its page on a clock that a test moves."""

    def __init__(self, *, key: str | None = KEY, metrics: bool = True) -> None:
        self.asked: list[Question] = []
        self.wrong: str | None = None
        self.now_s = 0.0
        start = PageStart(
            listen="192.0.2.5",
            port=8080,
            metrics=metrics,
            networks=("192.0.2.0/24", "2001:db8::/32"),
            names=("oven.local",),
            key=key,
            day_line=("true",),
            report=("true",),
        )
        app = HousePage(start, self.answer, Yesterday(("true",), ("true",)), lambda: self.now_s).app
        self.app = validator(app)

    def answer(self, question: Question) -> HouseAnswer:
        self.asked.append(question)
        return HouseAnswer(wrong=self.wrong) if question.ask.startswith("/") and self.wrong else answer()

    def ask(
        self, method: str, path: str, form: Mapping[str, str] | None = None, sender: str = PHONE, **headers: str
    ) -> tuple[int, dict[str, str], str]:
        body = urlencode(form or {}).encode()
        environ: dict[str, Any] = {"REQUEST_METHOD": method, "PATH_INFO": path, "REMOTE_ADDR": sender}
        environ |= {f"HTTP_{name.upper()}": value for name, value in headers.items()}
        environ.setdefault("HTTP_HOST", "192.0.2.5:8080")
        environ |= {"CONTENT_LENGTH": str(len(body)), "wsgi.input": BytesIO(body)}
        if method == "POST":
            environ["CONTENT_TYPE"] = "application/x-www-form-urlencoded"
        environ |= {"QUERY_STRING": "", "SCRIPT_NAME": ""}
        setup_testing_defaults(environ)
        begun: list[tuple[str, list[tuple[str, str]]]] = []
        found = self.app(environ, lambda status, headers, *_: begun.append((status, headers)))  # type: ignore[arg-type]
        text = b"".join(found).decode()
        found.close()  # type: ignore[attr-defined]
        return int(begun[0][0][:3]), dict(begun[0][1]), text

    @property
    def wishes(self) -> list[tuple[str, tuple[float, ...], str]]:
        return [(one.ask, one.numbers, one.sender) for one in self.asked if one.ask != "status"]


def test_the_page_is_for_whoever_is_allowed() -> None:
    house = House()
    status, headers, text = house.ask("GET", "/")
    assert (status, headers["Content-Security-Policy"], headers["Cache-Control"]) == (200, POLICY, "no-store")
    assert (headers["X-Content-Type-Options"], headers["Referrer-Policy"]) == ("nosniff", "same-origin")
    assert MAKING in text
    assert house.ask("GET", "/", sender="2001:db8::30")[0] == 200
    assert house.ask("GET", "/", sender="::ffff:192.0.2.30")[0] == 200


@pytest.mark.parametrize("path", ["/", "/report", "/metrics", "/hold", "/release", "/trim"])
def test_nobody_else_is_answered(path: str) -> None:
    house = House()
    method = "POST" if path in ("/hold", "/release", "/trim") else "GET"
    status, _, text = house.ask(method, path, {"key": KEY, "minutes": "10", "db": "-6"}, sender="198.51.100.1")
    assert status == 403
    assert "Night Dough" not in text
    assert house.asked == []


@pytest.mark.parametrize(
    ("path", "form", "asked"),
    [
        ("/hold", {"minutes": "20"}, ("/house/hold/for", (1_200.0,), PHONE)),
        ("/release", {}, ("/house/release", (), PHONE)),
        ("/trim", {"db": "-6"}, ("/house/trim", (-6.0,), PHONE)),
        ("/trim", {"db": "0"}, ("/house/trim", (0.0,), PHONE)),
    ],
)
def test_a_wish_with_the_key_is_handed_on_in_the_name_of_the_phone(
    path: str, form: dict[str, str], asked: tuple[str, tuple[float, ...], str]
) -> None:
    house = House()
    status, headers, _ = house.ask("POST", path, {"key": KEY, **form}, sec_fetch_site="same-origin")
    assert (status, headers["Location"]) == (303, "/")
    assert house.wishes == [asked]


@pytest.mark.parametrize(
    ("form", "headers", "status"),
    [
        ({}, {}, 403),
        ({"key": "sieben Broetchen"}, {}, 403),
        ({"key": ""}, {}, 403),
        ({"key": KEY}, {"sec_fetch_site": "cross-site"}, 403),
        ({"key": KEY}, {"sec_fetch_site": "same-site"}, 403),
        ({"key": KEY}, {"origin": "http://oven.example"}, 403),
        ({"key": KEY}, {"origin": "null"}, 403),
        ({"key": KEY, "db": "6"}, {}, 400),
        ({"key": KEY, "db": "-6; 0"}, {}, 400),
        ({"key": KEY, "db": "nan"}, {}, 400),
    ],
)
def test_a_wish_without_the_key_or_from_another_site_changes_nothing(
    form: dict[str, str], headers: dict[str, str], status: int
) -> None:
    house = House()
    assert house.ask("POST", "/trim", {"db": "-6", **form}, **headers)[0] == status
    assert [one for one in house.wishes if one[0] != "refused"] == []


def test_a_wrong_key_stands_in_the_event_log() -> None:
    house = House()
    house.ask("POST", "/release", {"key": "eight loaves"})
    assert house.wishes == [("refused", (), PHONE)]


def test_the_key_cannot_be_guessed() -> None:
    """After the first few, one try in ten seconds: eight small letters, 26^8 / 2 tries, take some 33,000 years."""
    house = House()
    tries = [house.ask("POST", "/release", {"key": f"loaf {n}"})[0] for n in range(20)]
    assert tries == [403] * int(KEYS_BURST) + [429] * (20 - int(KEYS_BURST))
    assert house.ask("POST", "/release", {"key": KEY})[0] == 429
    house.now_s += 1.0 / KEYS_PER_S
    assert house.ask("POST", "/release", {"key": KEY})[0] == 303


def test_a_wish_is_a_post_and_the_key_is_never_in_an_address() -> None:
    house = House()
    assert house.ask("GET", "/release")[0] == 405
    assert house.ask("GET", "/")[2].count('method="post"') == 1
    assert house.wishes == []


def test_what_the_house_does_not_obey_is_said_above_the_page() -> None:
    house = House()
    house.wrong = "<80000 s> is too long."
    status, _, text = house.ask("POST", "/hold", {"key": KEY, "minutes": "10"})
    assert status == 409
    assert '<p class="alert" role="alert">&lt;80000 s&gt; is too long.</p>' in text


def test_what_room_toml_does_not_name_is_not_there() -> None:
    house = House(key=None, metrics=False)
    assert house.ask("GET", "/metrics")[0] == 404
    assert house.ask("POST", "/release", {"key": ""})[0] == 404
    assert "<form" not in house.ask("GET", "/")[2]


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("192.0.2.5:8080", 200),
        ("[2001:db8::5]:8080", 200),
        ("localhost:8080", 200),
        ("oven.local:8080", 200),
        ("Oven.local", 200),
        ("oven.example:8080", 403),
        ("[", 403),
        ("", 403),
    ],
)
def test_a_name_of_another_site_that_leads_here_shows_nothing(host: str, status: int) -> None:
    house = House()
    assert house.ask("GET", "/", host=host)[0] == status
    assert bool(house.asked) is (status == 200)


def test_however_many_look_the_house_is_asked_twice_a_second() -> None:
    house = House()
    for _ in range(50):
        house.ask("GET", "/")
    assert len(house.asked) == 1
    house.now_s += KEPT_S
    house.ask("GET", "/metrics")
    assert len(house.asked) == 2
    house.ask("POST", "/release", {"key": KEY})
    house.ask("GET", "/")
    assert [one.ask for one in house.asked[2:]] == ["/house/release", "status"], (
        "after a wish it shows what became of it"
    )


def test_monitoring_gets_figures() -> None:
    status, headers, text = House().ask("GET", "/metrics", accept="application/openmetrics-text; version=1.0.0")
    assert (status, headers["Content-Type"].partition(";")[0]) == (200, "application/openmetrics-text")
    assert text.endswith("# EOF\n")
