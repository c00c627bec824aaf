"""Parts that all pages are made of: the house's page, the report and the survey."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Collection, Iterable, Sequence
from html import escape


class Html(str):
    """Text that is HTML already, and not escaped again."""

    __slots__ = ()


def html(text: str) -> Html:
    """Any text as HTML that shows it."""
    return text if isinstance(text, Html) else Html(escape(text))


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], numbers: Collection[int] = (), *, caption: str = ""
) -> Html:
    """A table whose cells are text, or Html. numbers: the columns with figures, from 0; they stand to the right.

    The first cell of a row names it, and each head its column, for a screen reader. Source: WCAG 2.1, technique H63.
    """

    def cell(tag: str, column: int, text: str) -> str:
        side = " class=n" if column in numbers else ""
        return f"<{tag}{side}>{html(text)}</{tag.partition(' ')[0]}>"

    def row(cells: Sequence[str], first: str, others: str) -> str:
        if len(cells) != len(head):
            raise ValueError(f"A row has {len(cells)} cells, and the table {len(head)} columns")
        return f"<tr>{''.join(cell(others if column else first, column, one) for column, one in enumerate(cells))}</tr>"

    above = f"<caption>{html(caption)}</caption>" if caption else ""
    top, body = row(head, _COLUMN, _COLUMN), "".join(row(cells, _ROW, "td") for cells in rows)
    return Html(f"<table>{above}<thead>{top}</thead><tbody>{body}</tbody></table>")


_COLUMN, _ROW = 'th scope="col"', 'th scope="row"'


def image(png: bytes, alt: str) -> Html:
    """A picture within the page itself. alt: what it shows, in words."""
    return Html(f'<img alt="{escape(alt)}" src="data:image/png;base64,{b64encode(png).decode()}">')
