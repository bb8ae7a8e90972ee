"""Proof files judged by a verifier that knows nothing of the search, and refused as soon as a figure is spoiled."""

from __future__ import annotations

import random
import re
from fractions import Fraction as F
from pathlib import Path

import pytest
from kitchens import random_kitchen
from matrices import matrix_of
from packed import packed_kitchen
from test_why_command import FRESH, run
from vipr_check import Refused, verified

from constraints.row import Row
from optimizer.answer import Answer, Status, blend, proof_file
from optimizer.solver.program import Program, Variable
from optimizer.solver.tree import prove
from optimizer.solver.vipr import ProofFile

LAND_DOIG = """VER 1.0
VAR 2
x y
INT 2 0 1
OBJ min 2 0 1 1 1
CON 3 0
C1 G 1 2 0 4 1 1
C2 L 2 2 0 4 1 -1
C3 L 2 2 0 -1 1 1
RTP infeas
SOL 0
DER 2
d3 G 1 0 { lin 0 } -1
d4 G 1 0 { lin 1 3 1 } -1
"""


def answers(count: int) -> list[tuple[Answer, bool]]:
    """Answers of kitchens without and with packs, pulls and counts; whether scipy finds a batch."""
    found = []
    for seed in range(count):
        kitchen = random_kitchen(seed, size=6, whole=0.5 * (seed % 2), free=False)
        answer = blend(kitchen.problem())
        core = answer.conflict.requirements if answer.conflict else ()
        fixed = any(r.fixed_value(answer.problem.formula) is not None for r in core)
        if answer.status in (Status.OPTIMAL, Status.INFEASIBLE) and not answer.scale_prevents and not fixed:
            found.append((answer, matrix_of(kitchen).whole().status == 0))
    return found


def test_every_proof_is_accepted_and_says_what_scipy_says() -> None:
    ended = {"range": 0, "infeas": 0}
    for answer, exists in answers(40):
        text = proof_file(answer)
        assert text is not None
        claim, bound = verified(text)
        assert (claim == "range") == exists
        assert answer.optimum is None or bound == answer.optimum.cost
        ended[claim] += 1
    assert min(ended.values()) > 5, ended


def test_kitchens_in_packs_are_proved_to_the_last_cent() -> None:
    closed = 0
    for seed in range(6):
        answer = blend(packed_kitchen(seed, 14).problem())
        if answer.optimum is None or answer.status is not Status.OPTIMAL:
            continue
        text = proof_file(answer)
        assert text is not None
        assert verified(text) == ("range", answer.optimum.cost)
        closed += answer.optimum.bound == answer.optimum.cost and answer.optimum.reported is None
    assert closed > 3


def spoiled(text: str, rng: random.Random) -> str:
    """A multiplier of a leaf, the branch of a split, or the claim itself changed by one."""
    kind = rng.choice(("claim", "branch", "multiplier"))
    branch = re.search(r"d\d+ [GL] (\d+) 1 \d+ 1 \{ asm \}", text)
    if kind == "branch" and branch is not None:
        return f"{text[: branch.start(1)]}{int(branch[1]) + 1}{text[branch.end(1) :]}"
    if kind == "multiplier":
        line = next(line for line in text.splitlines() if "{ lin" in line)
        head, tail = line.split("{ lin ")
        parts = tail.split()
        k = 2 + 2 * rng.randrange(int(parts[0]))
        parts[k] = str(F(parts[k]) + 1)
        return text.replace(line, f"{head}{{ lin {' '.join(parts)}")
    claim = re.search(r"RTP range (\S+) (\S+)", text)
    assert claim is not None
    return text.replace(claim[0], f"RTP range {F(claim[1]) + 1} {F(claim[2]) + 1}")


def test_a_proof_with_one_figure_spoiled_is_refused() -> None:
    rng, tried = random.Random(7), 0
    for answer, exists in answers(24):
        text = proof_file(answer) or ""
        for _ in range(6 if exists else 0):
            changed = spoiled(text, rng)
            with pytest.raises((Refused, IndexError)):
                verified(changed)
            tried += 1
    assert tried > 40


def test_a_claim_from_nothing_is_refused() -> None:
    with pytest.raises(Refused):
        verified(LAND_DOIG)


def test_the_root_alone_does_not_prove_a_knapsack() -> None:
    """Four items of weight 3 fill 10 only to 9: in whole numbers at most 3 go in, and the tree says so."""
    program = Program(
        tuple(Variable(f"x{j}", F(-1), F(0), F(1), whole=True) for j in range(4)),
        (Row("weight", (F(3),) * 4, None, F(10)),),
    )
    proof = prove(program, F(-3))
    assert proof.closed and proof.root.below is not None
    assert verified(ProofFile(program, proof, (F(1), F(1), F(1), F(0))).text()) == ("range", F(-3))
    assert prove(program, F(-2)).best


def test_the_command_writes_the_proof(tmp_path: Path) -> None:
    path = tmp_path / "fresh.vipr"
    found = run("blend", *FRESH[1:], "--meat-kg", "25", "--proof", str(path))
    assert found.returncode == 0 and verified(path.read_text())[0] == "range"
