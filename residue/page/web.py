"""The page as a WSGI application, which does not know the engine. It answers only networks of control.allow.

A wish needs the key, in the body of a POST: it is in no address and no cookie, so another site cannot send one in
somebody's name, and the browser's own word on who sends is asked as well.
"""

from __future__ import annotations

import hmac
import ipaddress
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

from bottle import Bottle, HTTPResponse, request

from residue.checking import is_name
from residue.control.rate import Allowance
from residue.control.settings import admits
from residue.page.figures import figures
from residue.page.link import HouseAnswer, PageStart, Question
from residue.page.view import HOLDS_MIN, POLICY, REPORT_POLICY, TRIMS_DB, page, refusal
from residue.page.yesterday import Yesterday

KEYS_PER_S, KEYS_BURST = 0.1, 6.0
ALL_KEYS_PER_S, ALL_KEYS_BURST = 0.5, 30.0
"""The tries of the key, for one sender and for all together: to find a word of eight letters takes longer than a
season.
"""
KEPT_S = 0.5
_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",  # with a stricter value the browser would not name the site of a form
    "X-Content-Type-Options": "nosniff",
}


class _RefusedError(Exception):
    """A request is refused; the text gives the reason, for people."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class HousePage:
    """The page of one house. ask: sends a request to the house."""

    def __init__(
        self,
        start: PageStart,
        ask: Callable[[Question], HouseAnswer],
        yesterday: Yesterday,
        monotonic_s: Callable[[], float],
    ) -> None:
        self._start = start
        self._ask = ask
        self._yesterday = yesterday
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._last: tuple[float, HouseAnswer] | None = None
        self._networks = [ipaddress.ip_network(network) for network in start.networks]
        self._tries = Allowance(
            monotonic_s, per_s=KEYS_PER_S, burst=KEYS_BURST, all_per_s=ALL_KEYS_PER_S, all_burst=ALL_KEYS_BURST
        )
        self.app = Bottle()
        self.app.route("/", "GET", self._guarded(self._show))
        self.app.route("/report", "GET", self._guarded(self._report))
        if start.metrics:
            self.app.route("/metrics", "GET", self._guarded(self._figures))
        if start.key is not None:
            self.app.route("/hold", "POST", self._guarded(lambda: self._wish(_hold)))
            self.app.route("/release", "POST", self._guarded(lambda: self._wish(_release)))
            self.app.route("/trim", "POST", self._guarded(lambda: self._wish(_trim)))
        self.app.default_error_handler = lambda error: _html(
            error.status_code, refusal("Nothing here", error.body or "")
        )

    def _guarded(self, answer: Callable[[], HTTPResponse]) -> Callable[[], HTTPResponse]:
        def guarded() -> HTTPResponse:
            try:
                if not admits(self._networks, request.environ.get("REMOTE_ADDR", "")):
                    raise _RefusedError(403, "This network is not one of those that room.toml allows under [control].")
                if not self._named(_header("Host") or ""):
                    raise _RefusedError(
                        403, "Open the page by the IP address of its machine, or write its name into page.names."
                    )
                return answer()
            except _RefusedError as error:
                return _html(error.status, refusal("Not answered", str(error)))

        return guarded

    def _named(self, host: str) -> bool:
        """Whether the request names this machine: if not, the name of another site leads here.

        Source: RFC 9110, section 17.1, on an authority that comes to mean another machine.
        """
        with suppress(ValueError):
            name = urlsplit(f"//{host}").hostname or ""
            return not is_name(name) or name in self._start.names
        return False

    def _status(self) -> HouseAnswer:
        """The house's answer, not older than KEPT_S, so that many readers cause no more requests to the house."""
        with self._lock:
            now_s = self._monotonic_s()
            if self._last is None or now_s - self._last[0] >= KEPT_S:
                self._last = now_s, self._ask(Question(ask="status"))
            return self._last[1]

    def _show(self, status: int = 200, wrong: str = "") -> HTTPResponse:
        answer = self._status()
        line = self._yesterday.line(answer.status["now"])
        return _html(status, page(answer, line, may_wish=self._start.key is not None, wrong=wrong))

    def _report(self) -> HTTPResponse:
        made = self._yesterday.report(self._status().status["now"])
        if made is None:
            raise _RefusedError(503, "The report is being made. Look again in a minute.")
        return _html(200, made, {"Content-Security-Policy": REPORT_POLICY})

    def _figures(self) -> HTTPResponse:
        answer = self._status()
        body, kind = figures(answer.status, answer.reread_age_s, _header("Accept") or "")
        return HTTPResponse(body, 200, {**_HEADERS, "Content-Type": kind})

    def _wish(self, wish: Callable[[Mapping[str, str], str], Question]) -> HTTPResponse:
        sender = request.environ.get("REMOTE_ADDR", "")
        self._check_site()
        form = _form()
        self._check_key(form, sender)
        try:
            answer = self._ask(wish(form, sender))
        except ValueError as error:
            raise _RefusedError(400, str(error)) from error
        self._last = None
        if answer.wrong is not None:
            return self._show(409, answer.wrong)
        return HTTPResponse("", 303, {**_HEADERS, "Location": "/"})  # so that a reload does not repeat the wish

    def _check_site(self) -> None:
        """Refuses a form of another site. Source: Fetch Metadata (W3C), Sec-Fetch-Site; RFC 6454, section 7, Origin."""
        site, origin = _header("Sec-Fetch-Site"), _header("Origin")
        foreign = origin is not None and _site_of(origin) != _header("Host")
        if site not in (None, "same-origin") or foreign:
            raise _RefusedError(403, "This form comes from another site, and is not obeyed.")

    def _check_key(self, form: Mapping[str, str], sender: str) -> None:
        if not self._tries.take(sender):
            raise _RefusedError(429, "Too many tries. Wait a minute.")
        given = form.get("key", "").encode("latin-1")  # the bytes as received
        if not hmac.compare_digest(given, (self._start.key or "").encode()):
            self._ask(Question(ask="refused", sender=sender, text="The page was given a wrong key."))
            raise _RefusedError(403, "This is not the key of room.toml. Nothing was changed.")


def _hold(form: Mapping[str, str], sender: str) -> Question:
    return Question(ask="/house/hold/for", sender=sender, numbers=(60.0 * _chosen(form, "minutes", HOLDS_MIN),))


def _release(_form: Mapping[str, str], sender: str) -> Question:
    return Question(ask="/house/release", sender=sender)


def _trim(form: Mapping[str, str], sender: str) -> Question:
    return Question(ask="/house/trim", sender=sender, numbers=(float(_chosen(form, "db", TRIMS_DB)),))


def _chosen(form: Mapping[str, str], name: str, among: tuple[int, ...]) -> int:
    given = form.get(name, "")
    for one in among:
        if given == str(one):
            return one
    raise ValueError(f"{name} is one of {', '.join(map(str, among))}.")


def _header(name: str) -> str | None:
    """A header of the request. Bottle's own headers raise where one is no UTF-8 text."""
    given: str | None = request.environ.get(f"HTTP_{name.upper().replace('-', '_')}")
    return given


def _form() -> Mapping[str, str]:
    try:
        form: Mapping[str, str] = request.forms
    except ValueError as error:  # of Bottle, for a Content-Type that is none
        raise _RefusedError(400, "This is no form that can be read.") from error
    return form


def _site_of(origin: str) -> str | None:
    try:
        return urlsplit(origin).netloc
    except ValueError:  # no address at all
        return None


def _html(status: int, text: str, more: Mapping[str, str] | None = None) -> HTTPResponse:
    headers: dict[str, Any] = {**_HEADERS, "Content-Type": "text/html; charset=utf-8", **(more or {})}
    return HTTPResponse(text.encode(), status, headers)
