from __future__ import annotations

from typing import Any

import pytest

from residue.checking import check
from residue.light.settings import LightSettings


def told(**keys: Any) -> list[str]:
    table = {"lamp": {"glow": {"universe": 1, "addresses": [1]}}} | keys
    return [str(finding) for finding in check(table, LightSettings, "room.toml", "light")[1]]


def test_a_lamp_needs_only_its_place() -> None:
    assert told() == []


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"to": "desk.local"}, '"desk.local" is not an IP address'),
        ({"to": "2001:db8::5"}, "is not an IPv4 address"),
        ({"interface": "eth0"}, '"eth0" is not an IP address'),
        ({"lamp": {}}, "There is no lamp. Write a table such as [light.lamp.glow]."),
        ({"lamp": {"glow": {"universe": 0, "addresses": [1]}}}, "light.lamp.glow.universe"),
        ({"lamp": {"glow": {"universe": 1, "addresses": [513]}}}, "light.lamp.glow.addresses"),
        ({"lamp": {"glow": {"universe": 1, "addresses": []}}}, "light.lamp.glow.addresses"),
        (
            {"lamp": {"glow": {"universe": 1, "addresses": [1]}, "ember": {"universe": 1, "addresses": [2, 1]}}},
            "lamp.glow and lamp.ember both use address 1 of universe 1.",
        ),
    ],
)
def test_a_fault_says_what_is_wrong_and_where(keys: dict[str, Any], said: str) -> None:
    [finding] = told(**keys)
    assert said in finding


def test_the_group_of_a_universe_is_that_of_the_standard() -> None:
    """Source: ANSI E1.31-2018, 9.3.1: 239.255.UHB.ULB."""
    places = {"a": {"universe": 1, "addresses": [1]}, "b": {"universe": 63_999, "addresses": [1]}}
    settings, _ = check({"lamp": places}, LightSettings, "room.toml", "light")
    assert settings is not None
    assert list(settings.receivers()) == [(1, "239.255.0.1"), (63_999, "239.255.249.255")]
