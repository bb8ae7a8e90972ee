"""Plant small faults one at a time and see whether the tests catch them: ``python tests/mutants.py --count 300``.

A fault is one change of one expression in ``constraints/`` or ``optimizer/``: a comparison, a sign, a number, ``and``
for ``or``, a dropped ``not``, ``min`` for ``max``, ``any`` for ``all``. Which ones is settled by ``--seed``. Each is
tried in a copy of the checkout with ``-x``: by the tests that run its line, the quickest first, where ``--ran`` is a
folder with what coverage.py and pytest recorded (DEVELOPERS.md gives the commands), and then by those nearest to its
room (tests that start a command as a process run lines of which the records know nothing); then (``--thorough``) by
all. What no test sees is printed at the end; DEVELOPERS.md explains those last found.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
NEAREST = {
    "constraints/document": "document table unsafe_input schema",
    "constraints": "registry planted rules us_examples check packs law_cases confidence choices conflict",
    "optimizer/reading": "lots table slips implausible unsafe_input rework check hostile registry planted",
    "optimizer/solver": "optimum exact planted cone confidence confidence_and_choices choices whole_lots registry",
    "optimizer/weighing": "weighout exchange registry planted check check_loads whole_lots choices",
    "optimizer/why": "planted why_prices why_textbook why_command why_ways why_sure",
    "optimizer/plan": "registry planted plan plan_trim plan_tidy plan_said plan_oracle plan_published plan_stock "
    "plan_weighing plan_sift in_doubt",
    "optimizer/pages": "registry command readme width check why_command plan",
    "optimizer/cli": "command outputs ending readme why_command plan",
    "optimizer": "registry planted said check check_loads near conflict conflict_many in_doubt rework command",
}
SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In, ast.FloorDiv: ast.Mult,
}  # fmt: skip
TURNED: dict[type[ast.AST], type[ast.AST]] = {ast.Lt: ast.Gt, ast.LtE: ast.GtE, ast.Gt: ast.Lt, ast.GtE: ast.LtE}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}


@dataclass(frozen=True)
class Mutant:
    """One change of a file, as the file then reads."""

    file: str
    line: int
    before: str
    after: str
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.before}  ->  {self.after}"


def places(file: str) -> Iterator[tuple[str, int, int]]:
    """Every fault that may be planted in a file: the file, the number of the expression and the way to change it."""
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    quiet = set(_quiet(tree))
    for number, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.expr) and id(node) not in quiet:
            for way in range(2):
                changed = copy.deepcopy(node)
                if _change(changed, way) and ast.unparse(changed) != ast.unparse(node):
                    yield file, number, way


def planted(file: str, number: int, way: int) -> Mutant:
    """The fault at a place."""
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    node = next(node for k, node in enumerate(ast.walk(tree)) if k == number)
    assert isinstance(node, ast.expr)
    before = ast.unparse(node)
    _change(node, way)
    return Mutant(file, node.lineno, before, ast.unparse(node), ast.unparse(tree))


def _change(node: ast.expr, way: int) -> bool:
    """Change an expression where it stands; ``way`` picks among the changes it allows."""
    if isinstance(node, ast.Compare):
        swaps = (SWAPPED, TURNED)[way]
        new = swaps.get(type(node.ops[0]))
        node.ops[0] = new() if new else node.ops[0]  # type: ignore[assignment]
        return new is not None
    if isinstance(node, ast.BinOp | ast.BoolOp) and way == 0:
        new = SWAPPED.get(type(node.op))
        node.op = new() if new else node.op  # type: ignore[assignment]
        return new is not None
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub) and way == 0:
        node.op = ast.UAdd() if isinstance(node.op, ast.USub) else node.op
        if isinstance(node.op, ast.Not):
            node.operand, node.op = ast.UnaryOp(ast.Not(), node.operand), ast.Not()
        return True
    if isinstance(node, ast.Constant) and type(node.value) in (int, bool):
        node.value = (not node.value) if isinstance(node.value, bool) else node.value + (1, -1)[way]
        return way == 0 or not isinstance(node.value, bool)
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES and way == 0:
        node.func.id = NAMES[node.func.id]
        return True
    return False


def _quiet(tree: ast.Module) -> Iterator[int]:
    """What says nothing at run time, or only how something is shown: annotations, formats, words of a dataclass."""
    for node in ast.walk(tree):
        hidden: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef):
            hidden += [node.returns, *node.decorator_list]
        elif isinstance(node, ast.arg | ast.AnnAssign):
            hidden.append(node.annotation)
        elif isinstance(node, ast.ClassDef):
            hidden += node.decorator_list
        elif isinstance(node, ast.FormattedValue):
            hidden.append(node.format_spec)
        yield from (id(inner) for part in hidden if part is not None for inner in ast.walk(part))


def files(only: str) -> list[str]:
    """Files in which faults are planted."""
    found = (path for package in ("constraints", "optimizer") for path in (ROOT / package).rglob("*.py"))
    return sorted(name for path in found if only in (name := path.relative_to(ROOT).as_posix()))


def nearest(file: str) -> list[str]:
    """Test files that are nearest to a file, those of its own name first."""
    room = next(room for room in sorted(NEAREST, key=len, reverse=True) if file.startswith(f"{room}/"))
    own = sorted(path.stem.removeprefix("test_") for path in (ROOT / "tests").glob(f"test_*{Path(file).stem}*.py"))
    names = dict.fromkeys((*own, *NEAREST[room].split()))
    return [f"tests/test_{name}.py" for name in names if (ROOT / "tests" / f"test_{name}.py").exists()]


class Ran:
    """Which tests ran a line, from the records of one run of all of them, and how long each took."""

    def __init__(self, folder: Path) -> None:
        import coverage

        self.data = coverage.CoverageData(str(folder / ".coverage"))
        self.data.read()
        self.seconds: dict[str, float] = {}
        for line in (folder / "run.log").read_text(encoding="utf-8").splitlines():
            words = line.split(maxsplit=2)
            if len(words) == 3 and words[1] in ("call", "setup") and words[0].endswith("s"):
                self.seconds[words[2]] = self.seconds.get(words[2], 0.0) + float(words[0][:-1])

    def tests(self, mutant: Mutant, most: float) -> list[str]:
        """Tests that ran a mutant's line, the quickest first, as many as take ``most`` seconds."""
        names = (name for name in self.data.measured_files() if name.endswith(mutant.file))
        lines = self.data.contexts_by_lineno(next(names, mutant.file))
        first = max((line for line in lines if line <= mutant.line), default=0)  # of a statement over several lines
        ran = {name.rpartition("|")[0] for name in lines.get(first, ()) if name}
        if not ran:  # run as the file is imported, or by no test but in another process
            ran = {name.rpartition("|")[0] for names in lines.values() for name in names if name}
        made = {(name.partition("::")[0], name.partition("[")[2]) for name in ran if "[" in name}
        # A document that one test has made is read by others of the same file and the same parameters.
        ran |= {name for name in self.seconds if (name.partition("::")[0], name.partition("[")[2]) in made}
        found, spent = [], 0.0
        for name in sorted(ran, key=lambda name: (self.seconds.get(name, 0.0), name)):
            spent += self.seconds.get(name, 0.0)
            if spent <= most or not found:
                found.append(name)
        return found


def caught(tree: Path, mutant: Mutant, tests: list[str], seconds: float) -> bool:
    """True where a test fails, or does not end in time, with the fault planted."""
    target = tree / mutant.file
    old = target.read_text(encoding="utf-8")
    target.write_text(mutant.text, encoding="utf-8")
    words = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-x", "-p", "no:cacheprovider", *tests]
    env = {**os.environ, "PYTHONPATH": "", "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(words, cwd=tree, env=env, capture_output=True, timeout=seconds, check=False)
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(old, encoding="utf-8")
    return done.returncode != 0


def main() -> None:
    """Plant, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300, help="faults to plant")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="part of a file's name")
    parser.add_argument("--seconds", type=float, default=300, help="most a fault may take")
    parser.add_argument("--thorough", action="store_true", help="try what the nearest tests missed on all of them")
    parser.add_argument("--ran", type=Path, help="folder with .coverage and run.log of one run of all tests")
    parser.add_argument("--most", type=float, default=40, help="seconds of the tests that ran a line")
    asked = parser.parse_args()
    ran = Ran(asked.ran) if asked.ran else None
    rng = random.Random(asked.seed)
    found = [place for file in files(asked.only) for place in places(file)]
    chosen = [planted(*place) for place in rng.sample(found, min(asked.count, len(found)))]
    survivors = []
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "copy"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".*", "__pycache__", "build"))
        for number, mutant in enumerate(chosen, 1):
            tests = ran.tests(mutant, asked.most) if ran else []
            seen = bool(tests) and caught(tree, mutant, tests, asked.seconds)
            seen = seen or caught(tree, mutant, nearest(mutant.file), asked.seconds)
            seen = seen or (asked.thorough and caught(tree, mutant, ["tests"], 4 * asked.seconds))
            if not seen:
                survivors.append(mutant)
            print(f"{number:4d} {'caught' if seen else 'MISSED'} {mutant}", flush=True)
    print(f"{len(chosen) - len(survivors)} of {len(chosen)} caught, of {len(found)} that may be planted")
    for mutant in survivors:
        print(f"missed {mutant}")


if __name__ == "__main__":
    main()
