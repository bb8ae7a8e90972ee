"""How many kitchens in packs are proved to the last cent: 40 lots with packs, pulls, remnants, a count. Invented.

``python tests/proved.py --kitchens 200`` prints how many ended with a gap of exactly nothing before the scales, with
the worst gap of the others and the proofs that the verifier of the tests accepts; the tests take a few.
"""

from __future__ import annotations

import argparse
import random
import time
from fractions import Fraction as F

from tidy import Messy
from vipr_check import verified

from optimizer.answer import Answer, Status, blend, proof_file


def packed(seed: int, size: int = 40) -> Messy:
    """Forty lots about a batch of some of them: a third in packs, pulls and remnants asked for, a count."""
    rng = random.Random(seed)
    kilograms, lots = rng.choice((30, 50, 80, 100)), []
    for _ in range(size):
        fat = rng.choice((4, 8, 12, 15, 18, 22, 28, 35, 45, 60, 75, 85)) + rng.randint(0, 20) / 10
        stock, pack = round(rng.uniform(3, kilograms * 0.7), 1), rng.choice((1, 2, 2.5, 5))
        price = round(max(0.8, 5.5 - fat / 22 + rng.gauss(0, 0.6)), 2)
        lots.append((stock, fat, price, None, None, pack if rng.random() < 0.33 and stock >= pack else None))
    low = rng.choice((15, 18, 22, 25))
    asked = rng.choice((("1%", "1%"), ("2%", "2%"), ("1", "0.5")))
    return Messy(lots, kilograms, (low, low + rng.choice((1, 2, 4))), rng.choice((3, 4, 6, 8)), asked)


def gap(answer: Answer) -> F | None:
    """Cost before the scales less the proved bound; None where there is no batch or nothing is proved."""
    found = answer.optimum
    return None if found is None or not found.values or found.bound is None else found.cost - found.bound


def closed(answer: Answer) -> bool:
    """True where the gap is nothing; fails where it is open and that is not said."""
    found, left = answer.optimum, gap(answer)
    assert answer.status in (Status.OPTIMAL, Status.INFEASIBLE)
    if found is None or not found.values:
        assert answer.conflict is not None
        return answer.conflict.certain
    assert left is not None and left >= 0
    assert (left == 0) == (found.reported is None), "open and not said, or said and not open"
    return left == 0


def main() -> None:
    """Count the proofs."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--kitchens", type=int, default=200)
    parser.add_argument("--from", dest="first", type=int, default=0)
    words = parser.parse_args()
    proved = accepted = none = 0
    worst, slowest = F(0), 0.0
    for seed in range(words.first, words.first + words.kitchens):
        problem, start = packed(seed).problem(), time.process_time()
        answer = blend(problem)
        slowest = max(slowest, time.process_time() - start)
        proved += closed(answer)
        none += answer.optimum is None or not answer.optimum.values
        text = proof_file(answer)
        if text is not None:
            claim, bound = verified(text)
            assert claim == "infeas" or (answer.optimum is not None and bound == answer.optimum.cost), seed
            accepted += 1
        left = gap(answer)
        if left:
            assert answer.optimum is not None
            worst = max(worst, left / answer.optimum.cost)
            print(f"seed {seed}: open by {float(left / answer.optimum.cost):.1e} of the cost", flush=True)
    print(f"{proved} of {words.kitchens} closed ({none} without a batch), {accepted} files accepted; "
          f"worst gap {float(worst):.1e} of the cost, slowest {slowest:.1f} s")  # fmt: skip


if __name__ == "__main__":
    main()
