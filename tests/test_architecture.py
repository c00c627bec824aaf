"""What holds for the package as a whole; DEVELOPERS.md says why."""

import ast
import re
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from graphlib import TopologicalSorter
from importlib.metadata import packages_distributions
from itertools import takewhile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "residue"
MODULES = sorted(PACKAGE.rglob("*.py"))
WRITTEN = [ROOT / name for name in ("residue", "tests", "deploy", "archives")]

ORDER = (
    ("checking", "columns", "durations", "problems", "processes", "progress", "records", "small_files", "wording"),
    ("dsp",),
    ("mapping",),
    ("loudness",),
    ("archive",),
    ("schedule",),
    ("output",),
    ("control",),
    ("light",),
    ("watchdog",),
    ("notices",),
    ("page",),
    ("live",),
    ("proof",),
    ("installation",),
    ("runtime",),
    ("cli", "__main__"),
)
"""Whoever stands further down may import what stands above; nobody imports downwards."""
RANK = {name: rank for rank, names in enumerate(ORDER) for name in names}

ROOMS = {
    "loudness": ("meters", "outputs", "caps", "stage", "plan", "calibration"),
    "runtime": (
        "system",
        "house",
        "journal",
        "planning",
        "engine",
        "calibration",
        "offline",
        "listening",
        "report",
        "survey",
        "packing",
        "swap",
        "rehearsal",
        "daemon",
    ),
}
"""The same order inside the two largest parts."""

MOST_LINES = 450
"""Our own bound: a longer module holds two things."""


def part(module: Path) -> str:
    """The part of the package that a module belongs to: residue/mapping/nodes/heart.py is of mapping."""
    return module.relative_to(PACKAGE).with_suffix("").parts[0]


def dotted(module: Path) -> str:
    """The name of a module within the package: mapping.nodes.heart."""
    return ".".join(module.relative_to(PACKAGE).with_suffix("").parts)


@cache
def nodes(module: Path) -> Sequence[ast.AST]:
    """All nodes of its syntax tree."""
    return list(ast.walk(ast.parse(module.read_text(encoding="utf-8"))))


def imported(module: Path) -> Iterator[str]:
    """The parts of the package that it imports, at its top or within a function."""
    return (name[0] for name in imported_modules(module))


def imported_modules(module: Path) -> Iterator[tuple[str, ...]]:
    """The modules and names of the package that it imports, as paths within the package."""
    for node in nodes(module):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are written in full"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        yield from (tuple(name.split(".")[1:]) for name in names if name.startswith("residue."))


def from_outside(module: Path) -> set[str]:
    """The packages of others that it imports."""
    tree = nodes(module)
    names = {alias.name for node in tree if isinstance(node, ast.Import) for alias in node.names}
    names |= {str(node.module) for node in tree if isinstance(node, ast.ImportFrom)}
    return {name.split(".")[0] for name in names} - sys.stdlib_module_names - {PACKAGE.name}


def constructed(module: Path) -> set[str]:
    """The names that are called in it."""
    calls = (node.func for node in nodes(module) if isinstance(node, ast.Call))
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


@pytest.mark.parametrize("name", ROOMS)
def test_imports_inside_a_part_point_one_way(name: str) -> None:
    rank = {room: at for at, room in enumerate(ROOMS[name])}
    modules = [module for module in MODULES if part(module) == name and module.parent != PACKAGE / name]
    against = [
        f"{named(module)} imports {target}"
        for module in modules
        for target in imported_modules(module)
        if target[0] == name and rank[target[1]] > rank[module.relative_to(PACKAGE).parts[1]]
    ]
    assert against == []


@pytest.mark.parametrize("name", ROOMS)
def test_every_module_of_a_part_with_rooms_stands_in_one(name: str) -> None:
    assert {module.relative_to(PACKAGE / name).parts[0] for module in MODULES if part(module) == name} == {
        "__init__.py",
        *ROOMS[name],
    }


def test_no_modules_import_each_other_in_a_circle() -> None:
    graph = {
        dotted(module): {
            name
            for target in imported_modules(module)
            for length in (len(target) - 1, len(target))
            if (name := ".".join(target[:length])) and name != dotted(module)
        }
        for module in MODULES
    }
    known = {module: {name for name in names if name in graph} for module, names in graph.items()}
    assert list(TopologicalSorter(known).static_order())


def test_what_comes_from_outside_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[^\w-]", line)[0].lower() for line in project["dependencies"]}
    distributions = packages_distributions()
    wanted = {name for module in MODULES for name in from_outside(module)}
    given = {name for name in wanted for by in distributions.get(name, []) if by.lower() in declared}
    assert wanted - given == set()


def test_a_start_waits_for_no_library_that_it_does_not_need() -> None:
    """Each of these takes 5 to 500 ms to import, and is for what other commands or a child of the daemon do."""
    look = "import sys, residue.cli, residue.runtime.daemon.daemon; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    kept_out = {"edfio", "icalendar", "matplotlib", "scipy", "sounddevice", "soundfile", "tomlkit"}
    assert kept_out & set(done.stdout.split()) == set()


def test_only_the_cap_stage_makes_what_a_sink_takes() -> None:
    makers = {named(module) for module in MODULES if constructed(module) & {"Capped", "Seal"}}
    assert makers == {"residue/loudness/stage/stage.py"}


def test_only_the_cap_on_flashes_makes_what_lamps_are_told() -> None:
    makers = {named(module) for module in MODULES if constructed(module) & {"CappedLight", "LightSeal"}}
    assert makers == {"residue/light/flash_cap.py"}


SIGNAL_CODE = ("dsp", "mapping", "loudness/meters")


def test_signal_code_does_not_add_by_the_builtin_sum() -> None:
    """Since Python 3.12 sum() compensates its rounding: the same floats give other bits than in Python 3.11.

    Write a plain loop, exact.total for arrays, or math.fsum, which has always rounded once.
    """
    against = [
        f"{named(module)}:{node.lineno}"
        for module in MODULES
        if named(module).removeprefix("residue/").startswith(SIGNAL_CODE)
        for node in nodes(module)
        if isinstance(node, ast.Name) and node.id == "sum"
    ]
    assert against == []


def defined_names(module: Path) -> Iterator[str]:
    """The public classes and type aliases of a module: names in CamelCase at its top."""
    for node in ast.parse(module.read_text(encoding="utf-8")).body:
        names = [node.name] if isinstance(node, ast.ClassDef) else []
        if isinstance(node, ast.Assign):
            names = [target.id for target in node.targets if isinstance(target, ast.Name)]
        yield from (name for name in names if re.fullmatch("[A-Z][a-z]\\w*", name))


def test_a_public_name_means_one_thing() -> None:
    same_everywhere = {"Floats", "StructT"}
    homes: dict[str, list[str]] = {}
    for module in MODULES:
        for name in set(defined_names(module)) - same_everywhere:
            homes.setdefault(name, []).append(named(module))
    assert {name: modules for name, modules in homes.items() if len(modules) > 1} == {}


MAY_BE_GIVEN_BY_PLACE = {
    "problems.Finding": "what a person reads, in the order in which it is read",
    "problems.stopping": "what a person reads, in the order in which it is read",
    "mapping.placing.Box": "x, y, width, height: the order of every drawing interface",
    "runtime.daemon.chronicle.happened": "handed on as a plain function: the event table's columns in order",
    "runtime.daemon.chronicle._note": "the same",
    "runtime.journal.second_copy.SecondTold": "columns of a table, in its order",
    "runtime.journal.second_copy.EventTold": "the same",
    "dsp.qrs_features.Hop": "a named tuple, unpacked and made in one place",
    "dsp.resampling.cubic": "four neighbours in the order of time",
    "dsp.swept._products": "a matrix, row by row",
    "loudness.meters.weightings.carried": "coefficients of a polynomial",
}
"""What takes three or more arguments of like type by place, and why one does not take them for each other."""


def like_types(annotations: Iterable[ast.expr]) -> bool:
    """Whether three or more are of one type, where a value that may be missing is like one that may not."""
    counts = Counter(ast.unparse(annotation).removesuffix(" | None") for annotation in annotations)
    return max(counts.values(), default=0) >= 3


def fields_by_place(record: ast.ClassDef) -> list[ast.expr]:
    """The types of what a dataclass, a named tuple or a struct is made of by place; [] where it is made by names."""
    ways = [*record.decorator_list, *record.bases]
    if not any(re.match(r"dataclass\b|NamedTuple$|(msgspec\.)?Struct$", ast.unparse(way)) for way in ways):
        return []
    keywords = [keyword for way in ways if isinstance(way, ast.Call) for keyword in way.keywords] + record.keywords
    if any(keyword.arg == "kw_only" for keyword in keywords):
        return []
    fields = [field for field in record.body if isinstance(field, ast.AnnAssign)]
    by_place = takewhile(lambda field: ast.unparse(field.annotation) != "KW_ONLY", fields)
    return [field.annotation for field in by_place if not ast.unparse(field.target).startswith("_")]


def called_by_click(function: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Whether it is a command, which click calls with names."""
    return any(ast.unparse(decorator).startswith("click.command") for decorator in function.decorator_list)


def by_place(module: Path) -> Iterator[str]:
    """What takes three or more arguments of like type by their place."""
    for node in nodes(module):
        types = fields_by_place(node) if isinstance(node, ast.ClassDef) else []
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            arguments = () if called_by_click(node) else (*node.args.posonlyargs, *node.args.args)
            types = [argument.annotation for argument in arguments if argument.annotation]
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef) and like_types(types):
            yield f"{dotted(module)}.{node.name}"


def test_three_arguments_of_like_type_are_given_by_name() -> None:
    """Two of them may change places, and neither types nor tests need notice."""
    assert {name for module in MODULES for name in by_place(module)} == set(MAY_BE_GIVEN_BY_PLACE)


def test_no_module_holds_more_than_a_person_can_read_at_once() -> None:
    lines = {named(module): len(module.read_text(encoding="utf-8").splitlines()) for module in MODULES}
    assert {module: count for module, count in lines.items() if count > MOST_LINES} == {}


def test_nothing_is_left_to_be_done_later() -> None:
    later = re.compile(r"\b(TODO|FIXME|XXX|NotImplementedError)\b")
    sources = [path for folder in WRITTEN for path in folder.rglob("*.py") if path != Path(__file__)]
    assert [named(path) for path in sources if later.search(path.read_text(encoding="utf-8"))] == []


OF_NO_SINGLE_MODULE = {
    "archive/ingest/test_damaged.py": "damaged files, from the stick to the bag",
    "archive/test_commands.py": "ingest, show and verify at the terminal",
    "cli/test_hours_and_rehearse.py": "two commands on one installation",
    "cli/test_nodes_and_draw.py": "two commands on one installation",
    "control/test_fuzz.py": "hostile datagrams, through packet, pattern, surface and house",
    "control/test_fuzz_socket.py": "the same at the socket of a daemon",
    "live/test_coming_in.py": "from a sensor to the graph, through all of live",
    "live/test_delay.py": "the time from the body to the ear",
    "live/test_loopback.py": "a recording through a real sound server",
    "live/test_replay.py": "a recording and its replay",
    "loudness/plan/test_alone.py": "plan, profile and stage, where outputs of one kind are lowered alone",
    "loudness/stage/test_tightening.py": "governor, trims and meters, where stricter caps come while they run",
    "loudness/test_promise.py": "governor, history and log against a meter of its own",
    "loudness/test_vibration_caps.py": "caps on vibration, from room.toml to the governor",
    "mapping/test_bounded.py": "a rule that all nodes keep",
    "mapping/test_long_silence.py": "a rule that all nodes keep",
    "mapping/test_nodes_contract.py": "a rule that all nodes keep",
    "mapping/test_nodes_memory.py": "a rule that all nodes keep",
    "mapping/test_nodes_own.py": "nodes of another package",
    "mapping/test_random_graphs.py": "rules that all graphs keep",
    "mapping/test_same_bits.py": "rules that all graphs keep",
    "proof/test_loopback.py": "a house that proves its outputs, from the sound server to the status",
    "runtime/daemon/test_daemon_hours.py": "hours that change while a daemon plays",
    "runtime/daemon/test_daemon_light.py": "a lamp of a daemon that plays, as a receiver sees it",
    "runtime/daemon/test_daemon_room.py": "a room.toml that changes while a daemon plays",
    "runtime/swap/test_swap_while_playing.py": "a swap in a daemon that plays",
}
"""Test modules that mirror no module, and what they hold."""
OF_NO_PART = ("archives", "bench", "deploy", "first_hour", "fuzz", "machine", "reference", "season")
"""Folders of tests that mirror no part of the package; DEVELOPERS.md says what they hold."""


def mirrors() -> dict[str, Path]:
    """By test module within tests: the module that it mirrors by its name."""
    within = (path.relative_to(ROOT / "tests") for path in sorted((ROOT / "tests").rglob("test_*.py")))
    named = [path for path in within if path.parts[0] not in OF_NO_PART and path.name != Path(__file__).name]
    return {path.as_posix(): PACKAGE / path.parent / path.name.removeprefix("test_") for path in named}


def test_test_modules_mirror_modules_by_name() -> None:
    without = {path for path, module in mirrors().items() if not module.exists()}
    assert without == set(OF_NO_SINGLE_MODULE)


def test_how_many_examples_a_property_tries_is_said_in_one_way() -> None:
    """By tests/properties.py, so that a quick run stays quick and repeats itself."""
    own = {Path(__file__), ROOT / "tests" / "properties.py"}
    said = [path for path in (ROOT / "tests").rglob("*.py") if path not in own and "max_examples" in path.read_text()]
    assert said == []
