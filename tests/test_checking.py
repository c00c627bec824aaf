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

    def __post_init__(self) -> None:
        if self.name == "closed":
            raise ValueError("A closed bakery bakes nothing. Open it.")


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        ({"nam": "x", "name": "y"}, "bakery.toml: nam: This key is not known here. Did you mean name?"),
        ({}, "bakery.toml: name: This key is missing. Write name = text in quotes."),
        ({"name": 3}, "bakery.toml: name: 3 cannot stand here. Write text in quotes."),
        (
            {"name": "a", "oven": {"big": {"heat_c": -3.0}}},
            "bakery.toml: oven.big.heat_c: -3.0 cannot stand here. Write a number of at least 0.0.",
        ),
        (
            {"name": "a", "oven": {"big": {"heat_c": 400}}},
            "bakery.toml: oven.big.heat_c: 400 cannot stand here. Write a number below 400.0.",
        ),
        (
            {"name": "a", "shift": [{"heat_c": 1}, {"heat_c": 2, "feul": "gas"}]},
            "bakery.toml: shift[2].feul: This key is not known here. Did you mean fuel?",
        ),
        (
            {"name": "a", "spare": {"heat_c": "hot"}},
            'bakery.toml: spare.heat_c: "hot" cannot stand here. Write a number.',
        ),
        (
            {"name": "a", "oven": {"big": {"heat_c": float("nan")}}},
            "bakery.toml: oven.big.heat_c: nan is no number to count with. Write a finite number.",
        ),
        ({"name": "a", "oven": 3}, "bakery.toml: oven: 3 cannot stand here. Write a table."),
        (
            {"name": "a", "opened": "soon"},
            'bakery.toml: opened: "soon" cannot stand here. Write a date such as 2026-03-02.',
        ),
        (
            {"name": "a", "names": []},
            "bakery.toml: names: [] cannot stand here. Write a list in [ ] with a length of at least 1.",
        ),
        ({"name": "a", "names": ["b", 3]}, "bakery.toml: names[1]: 3 cannot stand here. Write text in quotes."),
        (
            {"name": "a", "mixers": {}},
            "bakery.toml: mixers: {} cannot stand here. Write a table with a length of at least 1.",
        ),
        ({"name": "a", "flour": "weat"}, 'bakery.toml: flour: "weat" cannot stand here. Did you mean wheat?'),
        (
            {"name": "a", "flours": ["rye", "oats"]},
            'bakery.toml: flours[1]: "oats" cannot stand here. Write one of: rye, wheat.',
        ),
        ({"name": "closed"}, "bakery.toml: A closed bakery bakes nothing. Open it."),
    ],
)
def test_a_fault_is_told_with_file_key_value_and_mend(raw: dict[str, object], message: str) -> None:
    record, findings = check(raw, Bakery, "bakery.toml")
    assert record is None
    assert [str(finding) for finding in findings] == [message]


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
        (b"\xff\xfe", "piece.toml: The file is not UTF-8 text. Save it as UTF-8."),
        (b"a = [1,\nb = 2", "piece.toml: It is not valid TOML: Invalid value (at line 2"),
    ],
    ids=["missing", "not text", "broken"],
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
