"""Imports point down: a room may import the rooms below it, wherever in a file the import stands."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

from where import HOME

ROOMS = (
    "late", "clock", "wording", "record", "verdict", "figures", "ledger", "taught", "reading", "order",
    "missing", "problem", "lawful",
    "solver", "weighing", "bench",
    "as_weighed", "summary", "answer", "findings", 
    "correction", "near", "remarks", "pages", "plan", "why", "frames", "made",
    "store", "sheet", "cli", "__main__",
)  # fmt: skip
"""Rooms of ``optimizer/``, the lowest first."""
DEBTS: set[tuple[str, str]] = set()
"""Imports that point up today: none. The list may only shrink."""


def imported(path: Path) -> set[str]:
    """Modules a file imports, as dotted names."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
    return found


def edges(package: str) -> set[tuple[str, str]]:
    """Which room of a package imports which of any of the two packages."""
    found = set()
    for path in sorted((HOME / package).rglob("*.py")):
        own = room(".".join(path.relative_to(HOME).with_suffix("").parts).removesuffix(".__init__"))
        found |= {(own, other) for name in imported(path) if (other := room(name)) and other != own}
    return {(a, b) for a, b in found if a and b}


def room(name: str) -> str:
    """A module's room: the folder or file below its package; empty for anything else."""
    parts = name.split(".")
    place = HOME.joinpath(*parts[:2])
    known = place.is_dir() or place.with_suffix(".py").is_file()
    if len(parts) < 2 or parts[0] not in ("constraints", "optimizer") or not known:
        return ""
    return parts[1] if parts[0] == "optimizer" else ".".join(parts[:2])


def test_the_constraints_never_import_the_optimizer() -> None:
    assert all(b.startswith("constraints.") for _, b in edges("constraints"))


def test_imports_of_the_optimizer_point_down() -> None:
    inside = {(a, b) for a, b in edges("optimizer") if not b.startswith("constraints.")}
    assert {one for pair in inside for one in pair} <= set(ROOMS), "give the new room its place"
    assert {(a, b) for a, b in inside if ROOMS.index(b) >= ROOMS.index(a)} <= DEBTS


def test_the_constraints_go_round_in_no_circle() -> None:
    below: dict[str, set[str]] = {}
    for a, b in edges("constraints") - DEBTS:
        below.setdefault(a, set()).add(b)
    assert list(TopologicalSorter(below).static_order())


def test_a_debt_that_is_paid_is_struck_off() -> None:
    assert edges("constraints") | edges("optimizer") >= DEBTS


def _late(path: Path) -> list[ast.ImportFrom | ast.Import]:
    """The imports of a file that load a module at its first use."""
    blocks = [node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.With)]
    calls = [block for block in blocks if ast.unparse(block.items[0].context_expr) == "late()"]
    return [line for block in calls for line in block.body if isinstance(line, ast.ImportFrom | ast.Import)]


def test_what_is_imported_late_is_a_module_and_nothing_loads_it_at_once() -> None:
    """A name out of a module, or a module of a package whose own file imports, would be run where it is imported."""
    found = [line for path in (HOME / "optimizer").rglob("*.py") for line in _late(path)]
    assert len(found) > 20
    for line in (line for line in found if isinstance(line, ast.ImportFrom)):
        assert line.module
        folder = HOME.joinpath(*line.module.split("."))
        body = ast.parse((folder / "__init__.py").read_text(encoding="utf-8")).body
        assert not any(isinstance(node, ast.ImportFrom) and node.module != "__future__" for node in body), line.module
        for name in line.names:
            assert (folder / f"{name.name}.py").is_file() or (folder / name.name / "__init__.py").is_file(), name.name


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


SOURCES = sorted(path for package in ("constraints", "optimizer") for path in (HOME / package).rglob("*.py"))


def test_no_class_and_no_file_bears_the_name_of_another() -> None:
    """One meaning a name; the files of a rule pack and of its treatments both bear the name of their place."""
    classes = [node.name for path in SOURCES for node in ast.walk(tree(path)) if isinstance(node, ast.ClassDef)]
    assert not [name for name, times in Counter(classes).items() if times > 1]
    every = [path for package in ("constraints", "optimizer") for path in (HOME / package).rglob("*.*")]
    own = [p for p in every if p.suffix in (".py", ".html", ".csv", ".sql", ".txt") and p.name != "__init__.py"]
    assert not [name for name, times in Counter(path.name for path in own).items() if times > 1]


def test_modules_import_each_other_in_no_circle() -> None:
    """What is imported for the type checker alone is looked at by nobody else."""
    names = {path: ".".join(path.relative_to(HOME).with_suffix("").parts).removesuffix(".__init__") for path in SOURCES}
    every, below = set(names.values()), dict[str, set[str]]()
    for path, own in names.items():
        path_tree = tree(path)
        checked = [node for node in path_tree.body if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node)]
        apart = {id(line) for block in checked for line in ast.walk(block)}
        lines = [node for node in ast.walk(path_tree) if isinstance(node, ast.ImportFrom) and id(node) not in apart]
        pairs = [(f"{line.module}.{name.name}", str(line.module)) for line in lines for name in line.names]
        below[own] = {inner if inner in every else outer for inner, outer in pairs} & every - {own}
    assert list(TopologicalSorter(below).static_order())


def test_only_solvers_and_the_door_are_imported_in_functions() -> None:
    """All else that a command may not need is imported late, at the top of its module."""
    found = set()
    for path in SOURCES:
        functions = [node for node in ast.walk(tree(path)) if isinstance(node, ast.FunctionDef)]
        lines = (line for one in functions for line in ast.walk(one) if isinstance(line, ast.Import | ast.ImportFrom))
        found |= {name.name for line in lines for name in line.names}
    assert found == {"cheapest_batch", "clarabel", "highspy", "pulp"}


def test_a_command_starts_without_the_solver_and_without_the_readers() -> None:
    modules = "optimizer.cli.making, optimizer.cli.judging, optimizer.cli.stock, optimizer.cli.reference"
    heavy = "{'numpy', 'highspy', 'pulp', 'pydantic_core', 'yaml', 'sqlite3.dbapi2', 'jinja2', 'pandas'}"
    script = f"import sys, {modules}; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
