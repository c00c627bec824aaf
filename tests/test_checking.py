"""Every fault of a file at once: where it is, what stands there, what may stand there, the nearest name."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import msgspec
import pytest
from msgspec import Meta

from residue.checking import check, read_toml


class Oven(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    heat_c: Annotated[float, Meta(ge=0, lt=400)]
    fuel: str = "wood"


class Flour(StrEnum):
    RYE = "rye"
    WHEAT = "wheat"


class Tap(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind", tag="tap"):
    flow_l: float


class Well(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="kind", tag="well"):
    depth_m: float


class Stall(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    names: list[str]
    price: dict[str, float]
    shift: list[Oven]
    oven: Oven


class Bakery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    name: str
    oven: dict[str, Oven] = {}
    shift: list[Oven] = []
    spare: Oven | None = None
    shelves: tuple[Oven, ...] = ()
    opened: date | None = None
    names: Annotated[tuple[str, ...], Meta(min_length=1)] = ("one",)
    mixers: Annotated[dict[str, Oven], Meta(min_length=1)] | None = None
    flour: Flour = Flour.RYE
    flours: list[Literal["rye", "wheat"]] = []
    shares: dict[str, Annotated[int, Meta(ge=1)]] = {}
    water: list[Tap | Well] = []
    address: Annotated[str, Meta(pattern="^/[a-z]+$", examples=["/oven"])] | None = None
    starts: Literal["any time"] | tuple[str, ...] = "any time"

    def __post_init__(self) -> None:
        if self.name == "closed":
            raise ValueError("A closed bakery bakes nothing. Open it.")


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        ({"nam": "x", "name": "y"}, "bakery.toml: nam: This key is not known here. Did you mean name?"),
        ({}, "bakery.toml: name: This key is missing. Write name = text in quotes."),
        ({"name": 3}, "bakery.toml: name: 3 is not allowed here. Write text in quotes."),
        (
            {"name": "a", "oven": {"big": {"heat_c": -3.0}}},
            "bakery.toml: oven.big.heat_c: -3.0 is not allowed here. Write a number of at least 0.0.",
        ),
        (
            {"name": "a", "oven": {"big": {"heat_c": 400}}},
            "bakery.toml: oven.big.heat_c: 400 is not allowed here. Write a number below 400.0.",
        ),
        (
            {"name": "a", "shift": [{"heat_c": 1}, {"heat_c": 2, "feul": "gas"}]},
            "bakery.toml: shift[2].feul: This key is not known here. Did you mean fuel?",
        ),
        (
            {"name": "a", "spare": {"heat_c": "hot"}},
            'bakery.toml: spare.heat_c: "hot" is not allowed here. Write a number.',
        ),
        (
            {"name": "a", "oven": {"big": {"heat_c": float("nan")}}},
            "bakery.toml: oven.big.heat_c: nan is not a finite number. Write a finite number.",
        ),
        ({"name": "a", "oven": 3}, "bakery.toml: oven: 3 is not allowed here. Write a table."),
        (
            {"name": "a", "opened": "soon"},
            'bakery.toml: opened: "soon" is not allowed here. Write a date such as 2026-03-02.',
        ),
        (
            {"name": "a", "names": []},
            "bakery.toml: names: [] is not allowed here. Write a list in [ ] with a length of at least 1.",
        ),
        ({"name": "a", "names": ["b", 3]}, "bakery.toml: names[2]: 3 is not allowed here. Write text in quotes."),
        (
            {"name": "a", "mixers": {}},
            "bakery.toml: mixers: {} is not allowed here. Write a table with a length of at least 1.",
        ),
        ({"name": "a", "flour": "weat"}, 'bakery.toml: flour: "weat" is not allowed here. Did you mean wheat?'),
        (
            {"name": "a", "flours": ["rye", "oats"]},
            'bakery.toml: flours[2]: "oats" is not allowed here. Write one of: rye, wheat.',
        ),
        (
            {"name": "a", "shares": {"rye": 1, "wheat": 0}},
            "bakery.toml: shares.wheat: 0 is not allowed here. Write a whole number of at least 1.",
        ),
        (
            {"name": "a", "shift": {"heat_c": 1, "day": date(2026, 3, 2), "on": True, "of": ["x", 2]}},
            'bakery.toml: shift: { heat_c = 1, day = 2026-03-02, on = true, of = ["x", 2] } is not allowed here. '
            "Write a table [[shift]].",
        ),
        (
            {"name": "a", "oven": {"big": [{"heat_c": 1}]}},
            "bakery.toml: oven.big: [{ heat_c = 1 }] is not allowed here. Write a table [oven.big].",
        ),
        (
            {"name": "a", "oven": [{"heat_c": 1}]},
            "bakery.toml: oven: [{ heat_c = 1 }] is not allowed here. Write a table [oven.NAME].",
        ),
        (
            {"name": "a", "water": [{"kind": "tap", "flow_l": 1}, {"kind": "wel", "depth_m": 3}]},
            'bakery.toml: water[2].kind: "wel" is not allowed here. Did you mean well?',
        ),
        (
            {"name": "a", "water": [{"flow_l": 1}]},
            "bakery.toml: water[1].kind: This key is missing. Write one of: tap, well.",
        ),
        (
            {"name": "a", "water": [{"kind": "well"}]},
            "bakery.toml: water[1].depth_m: This key is missing. Write depth_m = a number.",
        ),
        ({"name": "a", "address": "oven"}, 'bakery.toml: address: "oven" is not allowed here. Write it as in "/oven".'),
        ({"name": "a", "starts": "noon"}, 'bakery.toml: starts: "noon" is not allowed here. Write one of: any time.'),
        (
            {"name": "a", "starts": ["11:00", 12]},
            "bakery.toml: starts[2]: 12 is not allowed here. Write text in quotes.",
        ),
        (
            {"name": "red \x1b[31m"},
            "bakery.toml: name: It contains the control character U+001B. Take it out.",
        ),
        (
            {"name": "a", "oven": {"\x1b[31m": {"heat_c": 1}}},
            "bakery.toml: oven.\\u001b[31m: It contains the control character U+001B. Take it out.",
        ),
        (
            {"name": "a", "o\x1b[31m": 1},
            "bakery.toml: o\\u001b[31m: This key is not known here. "
            "Write one of: address, flour, flours, mixers, name, names, opened, oven, shares, shelves, shift, spare, "
            "starts, water.",
        ),
        (
            {"name": "a", "water": [{"kind": "\x9b31m"}]},
            'bakery.toml: water[1].kind: "\\u009b31m" is not allowed here. Write one of: tap, well.',
        ),
        (
            {"name": "a", "oven": {100 * "k": 3}},
            f"bakery.toml: oven.{59 * 'k'}…: 3 is not allowed here. Write a table.",
        ),
        ({"name": "closed"}, "bakery.toml: A closed bakery bakes nothing. Open it."),
    ],
)
def test_a_fault_is_told_with_file_key_value_and_mend(raw: dict[str, object], message: str) -> None:
    record, findings = check(raw, Bakery, "bakery.toml")
    assert record is None
    assert [str(finding) for finding in findings] == [message]


def test_what_is_missing_is_asked_for_as_it_is_written() -> None:
    _, findings = check({}, Stall, "stall.toml")
    assert [finding.mend for finding in findings] == [
        "Write names = a list in [ ].",
        "Write a table [price].",
        "Write a table [[shift]].",
        "Write a table [oven].",
    ]


def test_one_of_several_tables_is_read_by_what_it_names() -> None:
    raw = {"name": "a", "water": [{"kind": "well", "depth_m": 3}, {"kind": "tap", "flow_l": 1}]}
    record, findings = check(raw, Bakery, "bakery.toml")
    assert findings == []
    assert record is not None
    assert record.water == [Well(depth_m=3.0), Tap(flow_l=1.0)]


def test_all_faults_are_told_at_once() -> None:
    raw = {"nmae": "a", "oven": {"a": {"heat_c": "x"}, "b": {}}, "opened": 3}
    _, findings = check(raw, Bakery, "bakery.toml")
    assert {finding.where.removeprefix("bakery.toml: ") for finding in findings} == {
        "nmae",
        "name",
        "oven.a.heat_c",
        "oven.b.heat_c",
        "opened",
    }


def test_a_fault_in_a_table_below_does_not_hide_what_the_whole_is_wrong_about() -> None:
    _, findings = check({"name": "closed", "spare": {"heat_c": -1}}, Bakery, "bakery.toml")
    assert [finding.where for finding in findings] == ["bakery.toml: spare.heat_c", "bakery.toml"]


def test_what_is_right_becomes_the_record() -> None:
    raw = {
        "name": "a",
        "oven": {"big": {"heat_c": 230}},
        "shift": [{"heat_c": 1, "fuel": "gas"}],
        "shelves": [{"heat_c": 4}],
        "spare": {"heat_c": 2},
        "opened": date(2026, 3, 2),
    }
    record, findings = check(raw, Bakery, "bakery.toml")
    assert findings == []
    assert record == Bakery(
        name="a",
        oven={"big": Oven(heat_c=230.0)},
        shift=[Oven(heat_c=1.0, fuel="gas")],
        shelves=(Oven(heat_c=4.0),),
        spare=Oven(heat_c=2.0),
        opened=date(2026, 3, 2),
    )


@pytest.mark.parametrize(
    ("content", "beginning"),
    [
        (None, "piece.toml: The file is missing. Put a piece.toml into "),
        (b"a = 1\n# \xfc", "piece.toml: line 2: This is not UTF-8 text. Save the file as UTF-8."),
        (
            b"a = [1,\nb = 2",
            "piece.toml: line 2: 'b = 2' is not valid TOML. Correct it there or just before (invalid value).",
        ),
        (b"a = " + 9999 * b"[", "piece.toml: Lists or tables are nested too deeply. "),
        (b"b = 1\n" + 99_999 * b"a." + b"a = 1", "piece.toml: line 2: Lists or tables are nested too deeply. "),
        (b"b = 1\n[" + 99_999 * b"'a' . " + b"a]", "piece.toml: line 2: Lists or tables are nested too deeply. "),
        (b'a = "' + 400_000 * b'\\"', "piece.toml: The file ends too early. "),
        (b'a = "' + 400_000 * b'\\"' + b"\n", "piece.toml: line 1: "),
        (b'a = """' + 200_000 * b'\\"\n"' + b'"""\n?', "piece.toml: line 200002: '?' is not valid TOML. "),
        (b"a = " + 900_000 * b" " + b"!", "piece.toml: line 1: "),
        (b'a = """', "piece.toml: The file ends too early. "),
        (
            b'# 22222\nb = "3333"\nc = """\n"""\na = ' + 5000 * b"1",
            "piece.toml: line 5: A whole number has too many digits here. Write one of at most 18 digits.",
        ),
        (
            b"[a]\nb = [1, 0x" + 5000 * b"f" + b"]",
            "piece.toml: a.b[2]: A whole number has too many digits here. Write one of at most 18 digits.",
        ),
        (
            b"a = x\x1b[31m" + 9999 * b"y",
            f"piece.toml: line 1: 'a = x\\u001b[31m{49 * 'y'}…' is not valid TOML. Write text in quotes.",
        ),
    ],
    ids=[
        *("missing", "not text", "broken", "deep", "deep key", "deep table", "escaped quotes", "their line"),
        *("escaped quotes before it", "blanks", "cut short", "long number", "long hexadecimal"),
        "steering",
    ],
)
def test_a_file_that_cannot_be_read_is_told_in_one_sentence(
    tmp_path: Path, content: bytes | None, beginning: str
) -> None:
    path = tmp_path / "piece.toml"
    if content is not None:
        path.write_bytes(content)
    tables, findings = read_toml(path)
    assert tables == {}
    assert str(findings[0]).startswith(beginning)


@pytest.mark.parametrize(
    ("line", "mend"),
    [
        ("a = “x”", 'Write text in straight quotes: ".'),
        ("a\u00a0= 1", "Write a plain blank: there is a character that only looks like one."),
        ("a = 24.12.2026", "Write a date as year-month-day, such as 2026-03-02."),
        ("a = 24/12/26", "Write a date as year-month-day, such as 2026-03-02."),
        ("a = [10:00-18:00]", 'Write a span in quotes, such as "10:00-18:00".'),
        ("a = 1,5", "Write a number with a point, such as 1.5."),
        ("a = Europe/Berlin", "Write text in quotes."),
        ("a: 3", "Write = between a key and its value."),
        ("[weekly", "Close the brackets around the name of the table."),
        ("a = 2027-02-29", "There is no such day or time. Look it up in a calendar."),
        ('a = ["x" "y"]', "End the list with ], and put a comma between its values."),
        ('a = "x', "End the text with the quote that it began with."),
        ("first = 2", "This key appears a second time. Keep one of them."),
        ("first = 2  # it’s so", "This key appears a second time. Keep one of them."),
        ("a = { b = 1, b = 2 }", "This key appears a second time. Keep one of them."),
        ('a = "it’s', "End the text with the quote that it began with."),
        ("[t]\n[t]", "This table appears a second time. Put all of it into the first one."),
    ],
)
def test_a_slip_of_the_pen_is_told_with_its_line_and_the_mend(tmp_path: Path, line: str, mend: str) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(f"first = 1\n{line}\n", encoding="utf-8")
    tables, findings = read_toml(path)
    assert tables == {}
    number, shown = 1 + len(line.splitlines()), line.splitlines()[-1]
    assert str(findings[0]) == f"hours.toml: line {number}: '{shown}' is not valid TOML. {mend}"


@pytest.mark.parametrize(
    "line",
    ['a = "it’s fine" x', "a = 'it’s fine' x", 'a = "a\\"’" x', "a = 1 x\u0020 # it’s", 'a = """it’s\nso it’s""" x'],
    ids=["text", "literal", "quote within", "comment", "several lines"],
)
def test_what_stands_rightly_within_texts_and_comments_is_no_slip(tmp_path: Path, line: str) -> None:
    path = tmp_path / "hours.toml"
    path.write_text(f"{line}\n", encoding="utf-8")
    _, [finding] = read_toml(path)
    assert finding.mend.startswith("Correct it there or just before (expected newline or end of document")


def test_the_mark_that_some_editors_put_before_the_text_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "hours.toml"
    path.write_text("a = 1\n", encoding="utf-8-sig")
    assert read_toml(path) == ({"a": 1}, [])
