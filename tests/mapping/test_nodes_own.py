"""Nodes that an artist brings along as a package of their own."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest

from residue.archive.in_memory import InMemoryPerformance
from residue.installation.load import read_piece
from residue.mapping.nodes import KINDS, catalogue
from residue.mapping.playback import Playback
from residue.problems import ProblemError
from tests.mapping.single import run

MODULE = '''
from typing import Annotated

import numpy as np
from msgspec import Meta

from residue.mapping.node import Block, Node, NodeContext, SlowIn, Step
from residue.mapping.signals import SLOW, Shape, Signal


class Crumb(Node, frozen=True):
    """Breaks a slow signal into steps of one height.

    Latency: none.
    """

    kind = "crumb"
    family = "bakery"

    input: SlowIn
    height: Annotated[float, Meta(gt=0.0, description="of a step, in the unit of the input")] = 0.1

    def gives(self, inputs) -> Shape:
        return SLOW

    def prepare(self, context: NodeContext) -> Step:
        def step(block: Block) -> Signal:
            return np.floor(block.slow("input") / self.height) * self.height

        return step
'''


@pytest.fixture
def beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder that Python imports from; the catalogue is read again before and after."""
    monkeypatch.syspath_prepend(tmp_path)
    catalogue.cache_clear()
    yield tmp_path
    catalogue.cache_clear()


def install(folder: Path, name: str, entries: str, module: str = MODULE) -> None:
    """What an installer leaves behind: the module, and its metadata with the entry points."""
    (folder / f"{name}.py").write_text(module, encoding="utf-8")
    metadata = folder / f"{name}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    (metadata / "entry_points.txt").write_text(f"[residue.nodes]\n{entries}\n", encoding="utf-8")


GUIDE = Path(__file__).parents[2] / "deploy" / "guides" / "artist.md"

LOAF = """
title = "Loaf"
outputs = ["left"]
[node.strain]
kind = "constant"
value = 0.6
{snippet}
[node.tone]
kind = "oscillator"
frequency_hz = 110.0
gain_db = {{ from = "crumbs", at = [0.0, 1.0], gives = [-40.0, 0.0] }}
[node.out]
kind = "output"
input = "tone"
to = ["left"]
"""


def shown_in_guide(file: str) -> str:
    """The block of the guide's section that is headed by the name of this file."""
    section = GUIDE.read_text(encoding="utf-8").partition("## Nodes of your own")[2]
    lines = iter(section.splitlines(keepends=True))
    next(line for line in lines if re.fullmatch(rf"```\w+ {re.escape(file)}\n", line))
    return "".join(itertools.takewhile(lambda line: line != "```\n", lines))


def test_the_example_of_the_guide_installs_and_plays(beside: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    package = tmp_path_factory.mktemp("bakery-nodes")
    for name in ("pyproject.toml", "bakery_nodes.py"):
        (package / name).write_text(shown_in_guide(f"bakery-nodes/{name}"), encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps"]
    pip += ["--target", str(beside), str(package)]
    done = subprocess.run(pip, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    catalogue.cache_clear()
    (package / "piece.toml").write_text(LOAF.format(snippet=shown_in_guide("dough/piece.toml")), encoding="utf-8")
    graph, findings = read_piece(package / "piece.toml")
    assert graph is not None, findings
    played = Playback(graph, InMemoryPerformance(frames=960_000), 960_000, "").step(48_000)
    assert np.unique(played.signals["crumbs"]).tolist() == [0.5]  # type: ignore[arg-type]
    assert np.abs(played.outputs[:, 4_800:]).max() == pytest.approx(10 ** (-20 / 20), rel=0.01)


def test_without_packages_beside_it_the_catalogue_is_residues() -> None:
    assert set(catalogue()) == set(KINDS)


def test_an_artists_own_node_joins_the_catalogue_and_works(beside: Path) -> None:
    install(beside, "bakery_crumbs", "crumb = bakery_crumbs:Crumb")
    own = catalogue()["crumb"]
    node = msgspec.convert({"input": "arm", "height": 0.5}, own)
    found = run(node, {"input": np.array([0.2, 0.7, 1.4])}, 72, [1, 30])
    assert np.array_equal(found, [0.0, 0.5, 1.0])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "entries", "module", "said"),
    [
        ("bakery_twin", "gain = bakery_twin:Crumb", MODULE, 'There is a kind "gain" already'),
        ("bakery_lost", "crumb = bakery_lost:Loaf", MODULE, "It cannot be loaded"),
        ("bakery_broken", "crumb = bakery_broken:Crumb", "1 / 0", "It cannot be loaded (division by zero)"),
        ("bakery_number", "crumb = bakery_number:Crumb", "Crumb = 3", "It is not a subclass of"),
        ("bakery_other", "loaf = bakery_other:Crumb", MODULE, 'The class must say kind = "loaf"'),
    ],
    ids=["name taken", "no such class", "fails while loading", "not a node", "another name"],
)
def test_a_node_that_does_not_fit_is_named_with_the_mend(
    beside: Path, name: str, entries: str, module: str, said: str
) -> None:
    install(beside, name, entries, module)
    with pytest.raises(ProblemError, match=r"residue\.nodes") as caught:
        catalogue()
    assert said in str(caught.value)
