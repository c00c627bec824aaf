"""The catalogue that people read says of every kind what a person needs to wire it."""

from __future__ import annotations

import pytest

from residue.mapping.catalogue import entry, markdown
from residue.mapping.graph import ports
from residue.mapping.nodes import KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_documented(kind: str) -> None:
    found = entry(KINDS[kind])
    assert found.kind == kind
    assert found.says.endswith(".")
    assert found.latency
    assert set(found.inputs) == set(ports(KINDS[kind]))
    for parameter in found.parameters:
        assert parameter.says, f"{kind}.{parameter.name} has no description"


def test_an_entry_tells_unit_range_default_and_what_may_be_driven() -> None:
    found = {parameter.name: parameter for parameter in entry(KINDS["layers"]).parameters}
    assert found["decay_db"].unit == "dB"
    assert found["decay_db"].range == "0 to 120"
    assert found["decay_db"].default == "1.5"
    assert found["decay_db"].drivable
    assert found["loop_s"].default == "must be given"
    assert found["loop_s"].range == "0.05 to 120"
    band = {parameter.name: parameter for parameter in entry(KINDS["band_power"]).parameters}["band"]
    assert band.range == "delta, theta, alpha, beta, gamma"


def test_the_markdown_has_a_heading_for_every_kind() -> None:
    text = markdown(KINDS)
    for kind in KINDS:
        assert f"### {kind}\n" in text
