"""The page of a survey, as a browser and a screen reader meet it."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import pytest

from residue.runtime.survey.columns import columns
from residue.runtime.survey.examining import commissioned
from residue.runtime.survey.page import page
from residue.runtime.survey.row import SurveyedPerformance, SurveyedReading
from residue.runtime.survey.summary import spread_lines
from tests.runtime.survey.collection import piece


def played(number: int) -> SurveyedPerformance:
    reading = SurveyedReading(trust=0.5 + number / 1_000, mean=70.0 + number % 9)
    return SurveyedPerformance(
        name=f"evening-with-a-long-name-{number:04d}",
        intact=True,
        fits=True,
        plays_s=200.0 + number,
        plan_gain_db=-0.1 * number,
        integrated_lufs=-20.0 - 0.01 * number,
        loudness_range_lu=8.0,
        true_peak_dbtp=-1.0,
        section_s=[100.0, 100.0 + number, None],
        reading={"push": reading, "rate": reading},
    )


class Reader(HTMLParser):
    """What a screen reader needs of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture
def text(tmp_path: Path) -> str:
    installation, _ = commissioned(piece(tmp_path / "piece"))
    rows = [*map(played, range(70)), SurveyedPerformance(name="<b>spoilt</b>", problems="It is <not> whole.")]
    return page("Bread & Shelf", {"residue": "0"}, columns(installation.graph), rows)


def test_pictures_have_words_and_tables_have_headings(text: str) -> None:
    """Source: WCAG 2.1, success criteria 1.1.1, 1.3.1 and 3.1.1."""
    read = Reader(text)
    assert read.open == [], "every element is closed"
    assert read.of("html") == [{"lang": "en"}]
    assert len(read.of("img")) == 2
    assert all(len(image["alt"] or "") > 40 for image in read.of("img"))
    assert {heading.get("scope") for heading in read.of("th")} == {"col", "row"}
    assert len(read.of("caption")) == len(read.of("table")) == 2
    assert [tag for tag, _ in read.tags if tag in ("h1", "main")] == ["main", "h1"]


def test_it_loads_nothing_and_shows_foreign_words_as_words(text: str) -> None:
    assert "http" not in text
    assert "<b>" not in text
    assert "&lt;b&gt;spoilt&lt;/b&gt;: It is &lt;not&gt; whole." in text


def test_a_collection_of_which_nothing_can_be_played_has_a_page(tmp_path: Path) -> None:
    installation, _ = commissioned(piece(tmp_path / "piece"))
    text = page("Bread", {}, columns(installation.graph), [SurveyedPerformance(name="one", problems="It is empty.")])
    assert Reader(text).of("img") == []
    assert "0 of 1 performances can be played." in text


def test_the_lines_for_a_terminal_fit_80_columns(tmp_path: Path) -> None:
    installation, _ = commissioned(piece(tmp_path / "piece"))
    lines = list(spread_lines(columns(installation.graph), list(map(played, range(70)))))
    assert max(map(len, lines)) <= 80
    (length,) = (line for line in lines if line.startswith("length, min:s"))
    assert length.split() == ["length,", "min:s", "3:20", "…long-name-0000", "3:54", "4:29", "…long-name-0069"]
