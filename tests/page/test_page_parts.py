from __future__ import annotations

from html.parser import HTMLParser

import pytest

from residue.page.page_parts import Html, table


class Cells(HTMLParser):
    """The cells of a table, as a reader of HTML finds them: tag, attributes, text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], str]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("th", "td", "b"):
            self.found.append((tag, dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        tag, attributes, text = self.found[-1]
        self.found[-1] = (tag, attributes, text + data)


def test_cells_are_text_and_each_is_named_by_its_row_and_column() -> None:
    """Source: WCAG 2.1, technique H63."""
    found = Cells(table(["<who>", "dB"], [["A & B <i>", Html("<b>3</b>")]], (1,))).found
    assert found == [
        ("th", {"scope": "col"}, "<who>"),
        ("th", {"scope": "col", "class": "n"}, "dB"),
        ("th", {"scope": "row"}, "A & B <i>"),
        ("td", {"class": "n"}, ""),
        ("b", {}, "3"),
    ]


def test_a_row_of_another_width_is_a_fault() -> None:
    with pytest.raises(ValueError, match="3 cells, and the table 2 columns"):
        table(["a", "b"], [["1", "2", "3"]])


def test_a_caption_is_text() -> None:
    assert table(["a"], [], caption="x < y") == (
        '<table><caption>x &lt; y</caption><thead><tr><th scope="col">a</th></tr></thead><tbody></tbody></table>'
    )
