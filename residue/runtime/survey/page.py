"""The survey as one HTML page: it loads nothing from elsewhere, and can be read aloud."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape

from residue.loudness.caps.cautions import CAUTIONS
from residue.page.page_parts import Html, image, table
from residue.runtime.survey.columns import SurveyColumn
from residue.runtime.survey.pictures import sections_picture, strips_picture
from residue.runtime.survey.row import SurveyedPerformance
from residue.runtime.survey.summary import broken, sentences, spreads

_STYLE = """
body { font: 16px/1.5 "DejaVu Sans", Helvetica, Arial, sans-serif; color: #1c1c1c; background: #fff; }
main { max-width: 70rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.2rem; margin-top: 2.5rem; }
img { max-width: 100%; } .wide { overflow-x: auto; } .wide:focus { outline: 2px solid #1f3b57; }
table { border-collapse: collapse; font-size: 0.85rem; } caption { text-align: left; font-style: italic; }
th, td { text-align: left; vertical-align: top; padding: 0.2rem 0.8rem 0.2rem 0; border-bottom: 1px solid #ccc; }
thead th { vertical-align: bottom; min-width: 4.5rem; } td.n, th.n { text-align: right; white-space: nowrap; }
.broken { color: #9c0000; font-weight: bold; } dt { font-family: monospace; }
.small { font-size: 0.85rem; color: #444; }
"""
_LEVELS = (
    "Levels are those that the piece gives before plan and cap, in dBFS: what a visitor receives depends on the room. "
    "The plan is for each performance alone, again and again."
)


def page(
    title: str, facts: Mapping[str, str], columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]
) -> str:
    """The page. facts: what the table follows from, by what it is."""
    parts = [*_head(title, rows), *_pictures(columns, rows), *_table(columns, rows), *_foot(facts, columns)]
    body = "\n".join(parts)
    name = f"Survey: {escape(title)}"
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>{name}</title>'
    top = f'<!doctype html>\n<html lang="en"><head>{head}<style>{_STYLE}</style></head>'
    return f"{top}\n<body><main>\n{body}\n</main></body></html>\n"


def _head(title: str, rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    yield f"<h1>Survey: {escape(title)}</h1>"
    yield from (f"<p>{escape(line)}</p>" for line in sentences(rows))
    yield f'<p class="small">{escape(_LEVELS)}</p>'
    if lines := list(broken(rows)):
        yield "<h2>Cannot be played</h2>"
        yield f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"


def _pictures(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    played = [row for row in rows if row.playable]
    sections = [column for column in columns if column.name.startswith("section_")]
    if not played:
        return
    if sections:
        names = [column.head.removesuffix(", min:s") for column in sections]
        yield "<h2>Sections</h2>"
        alt = f"A bar for each of {len(played)} performances, divided into its sections: {', '.join(names)}."
        yield image(sections_picture(names, played), f"{alt} The figures stand in the table of performances.")
    shown = [column for column in columns if column.head and column.figures(played)]
    yield "<h2>All performances, quantity by quantity</h2>"
    yield "<p>A dot is a performance; the line stands at the median.</p>"
    alt = "For each quantity a dot for each performance. Least, median and most stand in the text below."
    yield image(strips_picture(shown, played), alt)
    lines = [[one.head, one.least, one.first, one.median, one.most, one.last] for one in spreads(columns, played)]
    head = ["quantity", "least", "of", "median", "most", "of"]
    yield _wide("Least, median and most", table(head, lines, (1, 3, 4), caption="Least, median and most"))


def _table(columns: Sequence[SurveyColumn], rows: Sequence[SurveyedPerformance]) -> Iterator[str]:
    yield "<h2>Every performance</h2>"
    shown = [column for column in columns if column.head]
    head = ["performance", "can be played", *(column.head for column in shown), "recorded", "notes"]
    caption = "A row for each performance; a dash where there is no value"
    lines, numbers = (_row(shown, row) for row in rows), range(2, 2 + len(shown))
    yield _wide("Every performance", table(head, lines, numbers, caption=caption))


def _row(shown: Sequence[SurveyColumn], row: SurveyedPerformance) -> list[str]:
    answer = Html("yes" if row.playable else '<span class="broken">no</span>')
    figures = [column.in_words(value if isinstance(value := column.of(row), float | int) else None) for column in shown]
    recorded = (row.recorded or "–").partition("T")[0]
    return [row.name, answer, *figures, recorded, " ".join([row.problems, row.notes]).strip()]


def _wide(name: str, inner: str) -> str:
    """A part that scrolls by itself, also by the keyboard. Source: WCAG 2.1, success criteria 1.4.10 and 2.1.1."""
    return f'<div class="wide" tabindex="0" role="region" aria-label="{escape(name)}">{inner}</div>'


def _foot(facts: Mapping[str, str], columns: Sequence[SurveyColumn]) -> Iterator[str]:
    yield "<h2>The columns of the table files</h2>"
    yield f"<dl>{''.join(f'<dt>{escape(one.name)}</dt><dd>{escape(one.says)}</dd>' for one in columns)}</dl>"
    yield "<h2>Before you listen</h2>"
    yield f"<ul>{''.join(f'<li>{escape(caution)}</li>' for caution in CAUTIONS)}</ul>"
    yield f'<p class="small">{escape("; ".join(f"{name}: {fact}" for name, fact in facts.items()))}.</p>'
