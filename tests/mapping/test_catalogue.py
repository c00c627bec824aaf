"""The catalogue that people read says of every kind what a person needs to wire it."""

from __future__ import annotations

import re

import pytest

from residue.mapping.catalogue import entry, markdown, page
from residue.mapping.graph import ports
from residue.mapping.nodes import KINDS
from residue.mapping.nodes.conditioning import Gain


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_documented(kind: str) -> None:
    found = entry(KINDS[kind])
    assert found.kind == kind
    assert found.says.endswith(".")
    assert found.latency
    assert set(found.inputs) == set(ports(KINDS[kind]))
    assert re.search(r"slow|sound|[Ee]vents|kind", found.gives), f"{kind} does not say which kind of signal it gives"
    assert not found.unlike
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


class Rough(Gain, frozen=True):
    """Says of itself that it cannot keep the bits."""

    differs_db = -120.0


def test_a_node_that_cannot_keep_the_bits_is_marked() -> None:
    assert "may differ from one machine to another, at -120 dB of its level" in page(Rough)
