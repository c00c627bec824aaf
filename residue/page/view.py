"""The page as HTML: for a small screen, for a screen reader, and without a script."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from html import escape
from typing import Any

from residue.control.status_in_words import house_in_words, lowered_in_words
from residue.loudness.caps.caps import level_in_words
from residue.page.link import HouseAnswer, OpenSpan
from residue.page.page_parts import table

HOLDS_MIN = (10, 20, 30, 60, 120)
TRIMS_DB = (-3, -6, -9, -12, -20, 0)
STYLE = """
:root { color-scheme: light dark; }
body { font: 1.05rem/1.5 system-ui, sans-serif; margin: 0 auto; padding: 1rem; max-width: 40rem; }
h1 { font-size: 1.35rem; margin: 0; } h2 { font-size: 1.1rem; margin: 1.6rem 0 .3rem; }
p, ul { margin: .3rem 0; } #now p:first-of-type { font-size: 1.15rem; }
table { border-collapse: collapse; width: 100%; } caption { text-align: left; }
th, td { text-align: left; padding: .35rem .5rem .35rem 0; border-bottom: 1px solid #8886; font-weight: normal; }
.n { text-align: right; font-variant-numeric: tabular-nums; }
button, select, input { font: inherit; min-height: 2.8rem; width: 100%; box-sizing: border-box; margin: .2rem 0 .6rem; }
.alert { border-left: .4rem solid #b00020; padding-left: .6rem; }
"""
SCRIPT = """
const parts = ["time", "now", "levels", "attention", "health"];
async function look() {
  const lost = document.getElementById("lost");
  try {
    const answer = await fetch("/", {cache: "no-store"});
    if (!answer.ok) throw new Error(answer.status);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of parts) {
      const mine = document.getElementById(part), theirs = page.getElementById(part);
      if (mine.innerHTML !== theirs.innerHTML) mine.innerHTML = theirs.innerHTML;
    }
    lost.hidden = true;
  } catch { lost.hidden = false; }
}
setInterval(look, 10000);
"""


def _source(text: str) -> str:
    """The digest of an inline style or script. Source: Content Security Policy Level 3, section 2.3.1, hash-source."""
    return f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"


POLICY = (
    f"default-src 'none'; style-src {_source(STYLE)}; script-src {_source(SCRIPT)}; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
"""Nothing from elsewhere is loaded, and no other page may show this one in a frame."""
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'"
"""The report contains everything, also its pictures."""


def page(answer: HouseAnswer, yesterday: str, *, may_wish: bool, wrong: str = "") -> str:
    """The whole page. yesterday: a line about the day before; wrong: the reason why a wish was refused."""
    told: Mapping[str, Any] = answer.status
    return _document(
        f"{told['piece']}, {told['place']}",
        [
            *([f'<p class="alert" role="alert">{escape(wrong)}</p>'] if wrong else []),
            f'<section id="now" aria-labelledby="h-now">{"".join(_now(told))}</section>',
            f'<section aria-labelledby="h-today"><h2 id="h-today">Open today</h2>{_today(answer.today)}</section>',
            f'<section id="levels" aria-labelledby="h-levels">{"".join(_levels(told))}</section>',
            f'<section aria-labelledby="h-health"><h2 id="h-health">Health</h2>{"".join(_health(told))}</section>',
            f'<section aria-labelledby="h-day"><h2 id="h-day">Yesterday</h2><p>{escape(yesterday)}</p>'
            '<p><a href="/report">The whole report of yesterday</a></p></section>',
            *([_wishes()] if may_wish else []),
        ],
        datetime.fromisoformat(told["now"]),
    )


def refusal(title: str, text: str) -> str:
    """A page with the reason of a refusal."""
    return _document(
        title, [f'<p class="alert" role="alert">{escape(text)}</p><p><a href="/">Look again</a></p>'], None
    )


def _document(title: str, body: Sequence[str], now: datetime | None) -> str:
    time = f' <p id="time">As of {now:%a %H:%M}. <a href="/">Look again</a></p>' if now else ""
    lost = '<p id="lost" class="alert" role="alert" hidden>The house does not answer. What stands here is old.</p>'
    script = f"<script>{SCRIPT}</script>" if now else ""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{STYLE}</style></head>\n'
        f"<body><header><h1>{escape(title)}</h1>{time}</header>{lost}\n<main>\n"
        + "\n".join(body)
        + f"\n</main>{script}</body></html>\n"
    )


def _now(told: Mapping[str, Any]) -> Iterator[str]:
    yield f'<h2 id="h-now">Now</h2><p>{escape(house_in_words(told))}</p>'
    if told["performance"]:
        yield f"<p>Lowered: {escape(lowered_in_words(told))}.</p>"


def _today(spans: Sequence[OpenSpan]) -> str:
    if not spans:
        return "<p>The house stays closed today.</p>"
    rows = (f"<li>{one.opens} to {one.closes} ({escape(one.why)})</li>" for one in spans)
    return f"<ul>{''.join(rows)}</ul>"


def _levels(told: Mapping[str, Any]) -> Iterator[str]:
    yield '<h2 id="h-levels">Levels against limits</h2>'
    if not told["health"]["ears_known"]:
        yield "<p>Levels at the ear are unknown: the room is not calibrated.</p>"
    yield table(["limit", "now", "at most"], map(_level, told["caps"]), (1, 2))


def _level(cap: Mapping[str, Any]) -> Sequence[str]:
    level = "silence" if cap["level"] is None else level_in_words(cap["level"], cap["unit"])
    return [cap["name"], level, level_in_words(cap["limit"], cap["unit"])]


def _health(told: Mapping[str, Any]) -> Iterator[str]:
    """A screen reader reads out changes of attention, but not figures, because they change all the time."""
    health = told["health"]
    needed = "".join(f"<li>{_sentence(one)}</li>" for one in health["attention"])
    yield f'<div id="attention" role="status">{f"<ul>{needed}</ul>" if needed else "<p>All is well.</p>"}</div>'
    device = f"lost: {health['device_lost']}" if health["device_lost"] else "in use"
    memory_mb = health["memory_bytes"] / 1e6
    yield (
        f'<p id="health">Sound device {escape(device)}; lost {health["device_losses"]} times since the start. '
        f"Late blocks: {health['late_blocks']}. Memory: {memory_mb:.0f} MB. Version {escape(health['version'])}.</p>"
    )


def _sentence(text: str) -> str:
    """With the commands in it as such; elsewhere they stand between backticks."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", escape(text))


def _wishes() -> str:
    """One form, so that people type the key once; each button has its own target."""
    holds = "".join(f'<option value="{one}">{one} min</option>' for one in HOLDS_MIN)
    trims = "".join(f'<option value="{db}">{f"{db} dB" if db else "0 dB, as planned"}</option>' for db in TRIMS_DB)
    return (
        '<section aria-labelledby="h-wish"><h2 id="h-wish">Ask the house</h2>'
        '<form method="post" action="/hold">'
        '<p>Nothing here makes it louder than planned.</p><label for="key">Key of the room</label>'
        '<input id="key" name="key" type="password" autocomplete="current-password" required maxlength="64">'
        f'<label for="minutes">Silence for</label><select id="minutes" name="minutes">{holds}</select>'
        '<button formaction="/hold">Hold: fade to silence</button>'
        '<button formaction="/release">Release: end the silence</button>'
        f'<label for="db">Trim</label><select id="db" name="db">{trims}</select>'
        '<button formaction="/trim">Set the trim</button></form></section>'
    )
