"""The order of the house: a module imports only from floors above its own, and each heavy library has one door.

Imports are read from the source, those inside functions and under ``TYPE_CHECKING`` too.
"""

from __future__ import annotations

import ast
import graphlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "powerfault"
FLOORS = (
    "errors", "files", "model", "network", "failures", "electrical", "tolerance", "reliability", "fitting", "output",
    "api", "cli",
)  # fmt: skip
"""From the ground up: a floor stands on those before it."""

ROOMS = {
    "electrical": ("currents", "served", "fields", "restore", "voltages", "protection", "sizing", "endurance"),
    "tolerance": (
        "cutsets",
        "verdicts",
        "results",
        "when_flat",
        "study",
        "comparison",
        "sequence",
        "explain",
        "worksheet",
    ),
    "fitting": ("ranking", "isolation", "outing"),
    "output": ("blocks", "answers", "pictures", "sections", "page", "report"),
}
"""The rooms of a floor (sub-packages, or modules that stand alone): a room imports from those before it."""

DOORS = {
    "yaml": ("model.yaml_lines",),
    "networkx": ("network", "api"),
    "highspy": ("electrical.served.solver",),
    "openpyxl": ("model.tables.sheets",),
    "pint": ("model.tables.cells",),
    "pyarrow": ("model.tables.sheets", "output"),
    "pandas": ("model.tables.sheets", "output", "tolerance", "api"),
    "jinja2": ("output",),
    "graphviz": ("output",),
    "xlsxwriter": ("output",),
    "typst": ("output.blocks.typeset",),
    "click": ("cli",),
}
"""Where each library may be imported: one module, or one floor."""

KNOWN_CIRCLES = (
    ("electrical.served.apart_rows", "electrical.served.service_model"),
    ("electrical.served.objectives", "electrical.served.service_model"),
)

TEST_ONLY = ("dd", "hypothesis", "igraph", "playwright", "pysat", "pytest", "rustworkx", "scipy", "topohub")
"""Oracles and tools of the tests; igraph is GPL and must stay out of the package."""

MODULES = {
    ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted(PACKAGE.rglob("*.py"))
}


def imports_of(module: str) -> Iterator[tuple[int, str]]:
    """Yield (line, name of the module or of what is taken from it) for each import in ``module``."""
    path = MODULES[module]
    package = (
        ["powerfault", *module.split(".")] if path.name == "__init__.py" else ["powerfault", *module.split(".")][:-1]
    )
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join([*package[: len(package) - node.level + 1], *([base] if base else [])])
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"


def floor_of(module: str) -> int | None:
    """The number of the floor of a module named without the package; ``None`` for the package's own front door."""
    first = module.split(".")[0]
    return FLOORS.index(first) if first in FLOORS else None


def is_within(module: str, places: tuple[str, ...]) -> bool:
    return any(module == place or module.startswith(place + ".") for place in places)


INNER = [name for name in MODULES if name not in ("__init__", "__main__")]


def test_every_module_stands_on_a_floor() -> None:
    assert len(INNER) > 20
    assert [name for name in INNER if floor_of(name) is None] == []


@pytest.mark.parametrize("module", INNER)
def test_imports_only_from_floors_above(module: str) -> None:
    own = floor_of(module)
    assert own is not None
    wrong = []
    for line, name in imports_of(module):
        if name == "powerfault" or not name.startswith("powerfault."):
            continue
        target = floor_of(name.removeprefix("powerfault."))
        if target is not None and target > own:
            wrong.append(f"{MODULES[module].name}:{line} imports {name} from {FLOORS[target]}, below {FLOORS[own]}")
    assert wrong == []


@pytest.mark.parametrize("floor", ROOMS)
def test_rooms_of_a_floor_import_only_from_rooms_before_them(floor: str) -> None:
    rooms = ROOMS[floor]
    wrong = []
    for module in (m for m in INNER if m.startswith(floor + ".")):
        own = module.split(".")[1]
        assert own in rooms, f"{module} is in no room of {floor}"
        for line, name in imports_of(module):
            if not name.startswith(f"powerfault.{floor}."):
                continue
            target = name.split(".")[2]
            if target in rooms and rooms.index(target) > rooms.index(own):
                wrong.append(f"{module}:{line} imports {name}: {target} comes after {own}")
    assert wrong == []


def test_no_circle_of_imports() -> None:
    """Imports for type checking count too: two modules that need each other's types are one idea in two files."""
    graph: dict[str, set[str]] = {}
    for module in INNER:
        names = {name.removeprefix("powerfault.") for _, name in imports_of(module) if name.startswith("powerfault.")}
        graph[module] = {n if n in MODULES else n.rpartition(".")[0] for n in names} - {module, ""}
    for first, second in KNOWN_CIRCLES:
        graph[first].discard(second)
    tuple(graphlib.TopologicalSorter(graph).static_order())  # raises CycleError, which names the circle


def test_each_room_says_what_it_answers() -> None:
    silent = [
        m
        for m in INNER
        if MODULES[m].name == "__init__.py"
        and not ast.get_docstring(ast.parse(MODULES[m].read_text(encoding="utf-8")))
        and m.split(".")[0] in ROOMS
    ]
    assert silent == []


@pytest.mark.parametrize("module", INNER)
def test_a_library_comes_in_by_its_one_door(module: str) -> None:
    wrong = []
    for line, name in imports_of(module):
        library = name.split(".")[0]
        if library in DOORS and not is_within(module, DOORS[library]):
            wrong.append(f"{MODULES[module].name}:{line} imports {library}; its door is {' or '.join(DOORS[library])}")
        if library in TEST_ONLY:
            wrong.append(f"{MODULES[module].name}:{line} imports {library}, which is for tests only")
    assert wrong == []


@pytest.mark.parametrize("library", ["yaml", "highspy", "graphviz", "click"])
def test_the_doors_are_used(library: str) -> None:
    """So that a door that moved is noticed and the table above stays true."""
    users = {m for m in INNER for _, name in imports_of(m) if name.split(".")[0] == library}
    assert users
    if "." in DOORS[library][0]:
        assert users == {DOORS[library][0]}


def test_validate_starts_without_heavy_libraries() -> None:
    code = (
        "import sys\n"
        "from powerfault.cli import main\n"
        "try:\n"
        "    main(['validate', sys.argv[1]])\n"
        "except SystemExit as end:\n"
        "    assert end.code == 0, end.code\n"
        "heavy = {'numpy', 'networkx', 'pandas', 'highspy', 'jinja2', 'graphviz'} & set(sys.modules)\n"
        "print('heavy:', sorted(heavy))\n"
    )
    demo = PACKAGE.parent / "topologies" / "orrin-fell.yaml"
    done = subprocess.run([sys.executable, "-c", code, str(demo)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "heavy: []"


def test_the_front_door_names_what_it_exports() -> None:
    import powerfault

    assert sorted(powerfault.__all__) == list(powerfault.__all__)
    for name in powerfault.__all__:
        assert getattr(powerfault, name) is not None
    with pytest.raises(AttributeError, match="no attribute"):
        _ = powerfault.nothing_of_that_name  # type: ignore[attr-defined]
