"""What holds for the package as a whole; DEVELOPERS.md says why."""

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "residue"
MODULES = sorted(PACKAGE.rglob("*.py"))
WRITTEN = [ROOT / name for name in ("residue", "tests", "deploy", "archives")]

ORDER = (
    ("checking", "problems", "processes", "progress", "wording"),
    ("dsp",),
    ("mapping",),
    ("loudness",),
    ("archive",),
    ("schedule",),
    ("output",),
    ("control",),
    ("watchdog",),
    ("live",),
    ("installation",),
    ("runtime",),
    ("cli", "__main__"),
)
"""Whoever stands further down may import what stands above; nobody imports downwards."""
RANK = {name: rank for rank, names in enumerate(ORDER) for name in names}

MOST_LINES = 450
"""Our own bound: a longer module holds two things."""


def part(module: Path) -> str:
    """The part of the package that a module belongs to: residue/mapping/nodes/heart.py is of mapping."""
    return module.relative_to(PACKAGE).with_suffix("").parts[0]


def imported(module: Path) -> Iterator[str]:
    """The parts of the package that it imports, at its top or within a function."""
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are written in full"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        yield from (name.split(".")[1] for name in names if name.startswith("residue."))


def from_outside(module: Path) -> set[str]:
    """The packages of others that it imports."""
    tree = list(ast.walk(ast.parse(module.read_text(encoding="utf-8"))))
    names = {alias.name for node in tree if isinstance(node, ast.Import) for alias in node.names}
    names |= {str(node.module) for node in tree if isinstance(node, ast.ImportFrom)}
    return {name.split(".")[0] for name in names} - sys.stdlib_module_names - {PACKAGE.name}


def constructed(module: Path) -> set[str]:
    """The names that are called in it."""
    calls = (
        node.func for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))) if isinstance(node, ast.Call)
    )
    return {getattr(call, "attr", getattr(call, "id", "")) for call in calls}


def named(module: Path) -> str:
    return str(module.relative_to(ROOT))


def test_every_part_of_the_package_has_its_place_in_the_order() -> None:
    assert {part(module) for module in MODULES} - {"__init__"} == set(RANK)


def test_imports_point_one_way() -> None:
    against = [
        f"{named(module)} imports {name}"
        for module in MODULES
        for name in imported(module)
        if RANK.get(name, -1) > RANK.get(part(module), -1)
    ]
    assert against == []


def test_what_comes_from_outside_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[^\w-]", line)[0].lower() for line in project["dependencies"]}
    distributions = packages_distributions()
    wanted = {name for module in MODULES for name in from_outside(module)}
    given = {name for name in wanted for by in distributions.get(name, []) if by.lower() in declared}
    assert wanted - given == set()


def test_only_the_cap_stage_makes_what_a_sink_takes() -> None:
    makers = {named(module) for module in MODULES if constructed(module) & {"Capped", "Seal"}}
    assert makers == {"residue/loudness/stage.py"}


def test_no_module_holds_more_than_a_person_can_read_at_once() -> None:
    lines = {named(module): len(module.read_text(encoding="utf-8").splitlines()) for module in MODULES}
    assert {module: count for module, count in lines.items() if count > MOST_LINES} == {}


def test_nothing_is_left_to_be_done_later() -> None:
    later = re.compile(r"\b(TODO|FIXME|XXX|NotImplementedError)\b")
    sources = [path for folder in WRITTEN for path in folder.rglob("*.py") if path != Path(__file__)]
    assert [named(path) for path in sources if later.search(path.read_text(encoding="utf-8"))] == []
