"""The page as a screen reader and a browser without a script meet it."""

from __future__ import annotations

import re
from base64 import b64encode
from hashlib import sha256
from html.parser import HTMLParser

from residue.page.view import POLICY, page, refusal
from tests.page.told import answer

VOID = {"meta", "input"}


class Elements(HTMLParser):
    """Every element with its attributes; raises where tags do not nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {}
        self._open: list[str] = []
        self.feed(text)
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open:
            self.texts.setdefault(self._open[-1], []).append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.found if name == tag]


def shown(piece: str = "Night Dough") -> str:
    return page(answer(piece), "Mon 2026-03-02: every cap was kept.", may_wish=True)


def test_it_says_what_is_asked_first() -> None:
    text = shown()
    assert "The house is open until 18:00. It plays first-batch, now at 1:23, section quiet hands." in text
    assert "Lowered: trim -6.0 dB (192.0.2.7)." in text
    assert "<li>10:00 to 18:00 (tue)</li>" in text
    assert "LAeq over 1 min" in text
    assert "A trim of -6.0 dB is set, as 192.0.2.7 asked. <code>residue trim 0</code> ends it." in text
    assert "Mon 2026-03-02: every cap was kept." in text


def test_it_has_what_a_screen_reader_goes_by() -> None:
    """Source: WCAG 2.2: 3.1.1 language, 2.4.2 title, 1.3.1 structure, 3.3.2 labels, 4.1.3 status messages."""
    elements = Elements(shown())
    assert elements.of("html")[0]["lang"] == "en"
    assert elements.texts["title"] == ["Night Dough, North hall"]
    assert len(elements.of("h1")) == 1
    assert len(elements.of("main")) == 1
    ids = {attributes["id"] for _, attributes in elements.found if "id" in attributes}
    assert {section["aria-labelledby"] for section in elements.of("section")} <= ids
    fields = [*elements.of("input"), *elements.of("select")]
    assert {one["for"] for one in elements.of("label")} == {field["id"] for field in fields}
    assert all("scope" in head for head in elements.of("th"))
    assert [one for _, one in elements.found if one.get("role") == "status"] == [{"id": "attention", "role": "status"}]


def test_a_phone_shows_it_at_its_own_width_and_lets_it_be_enlarged() -> None:
    """Source: WCAG 2.2, 1.4.4."""
    [view] = [meta for meta in Elements(shown()).of("meta") if meta.get("name") == "viewport"]
    assert view["content"] == "width=device-width, initial-scale=1"


def test_nothing_comes_from_elsewhere_and_the_policy_knows_style_and_script() -> None:
    """Source: Content Security Policy Level 3, 2.3.1: the digest of what stands between the tags."""
    text = shown()
    assert re.findall(r'(?:src|href|action)="([^"]*)"', text) == ["/", "/report", "/hold", "/hold", "/release", "/trim"]
    assert "//" not in text.replace("<!doctype html>", "")
    for tag in ("style", "script"):
        [inside] = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        assert f"{tag}-src 'sha256-{b64encode(sha256(inside.encode()).digest()).decode()}'" in POLICY
    assert "unsafe" not in POLICY
    assert not re.search(r'\son\w+="|style="', text), "which the policy would keep from working"


def test_what_people_wrote_stays_text() -> None:
    text = shown(piece='<script>alert("x")</script>')
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(&quot;x&quot;)" in text
    assert "<b>" not in refusal("no", "<b>")


def test_without_a_key_there_is_nothing_to_press() -> None:
    text = page(answer(), "", may_wish=False)
    assert "<form" not in text
    assert "<button" not in text
