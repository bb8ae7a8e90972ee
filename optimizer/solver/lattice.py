"""Whole numbers under equations: the points of a lattice instead of a box, where floating point cannot find them.

Where a few equations leave whole numbers hardly any choice, say of millions of divisions of a fine scale, branching on
the numbers themselves goes on for ever. Their solutions are ``x = start + basis . z`` for whole z (Hermite's normal
form; Schrijver, Theory of Linear and Integer Programming, 1986, ch. 4); with a reduced basis (Lenstra, Lenstra and
Lovasz, Mathematische Annalen 261, 1982, 515-534) branching on z soon ends (Aardal, Hurkens and Lenstra, Mathematics of
Operations Research 25, 2000, 427-442).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, gcd, inf

from constraints.as_typed import ZERO
from constraints.row import QUICK_ONE, QUICK_ZERO, Row, plain, quick
from optimizer.solver.program import Program, Variable
from optimizer.solver.session import Session
from optimizer.solver.tree import Proof, prove

_LOVASZ = quick(Fraction(3, 4))
_LARGEST = 24
"""Variables up to which a basis is reduced."""

Vector = list[int]
Square = tuple[list[Fraction], Fraction]
"""A vector of a square basis and its squared length, for a long reckoning."""


@dataclass(frozen=True)
class Lattice:
    """A program over z whose points are those of the program over x that keep its equations."""

    program: Program
    start: Vector
    basis: list[Vector]

    def unfold(self, z: Sequence[Fraction]) -> tuple[Fraction, ...]:
        """The whole numbers x of a point."""
        steps = [(int(count), vector) for count, vector in zip(z, self.basis, strict=True) if count]
        return tuple(Fraction(x + sum(n * v[j] for n, v in steps)) for j, x in enumerate(self.start))


def whole(
    program: Program, nodes: float = inf, gap: Fraction = ZERO, session: Session | None = None
) -> tuple[tuple[Fraction, ...], Proof]:
    """The cheapest point in whole numbers that one tree finds (see ``prove``), over their lattice where that helps.

    ``session`` is the solver's of the program where there is one.
    """
    lattice = lattice_of(program)
    if lattice is False:
        return (), Proof(closed=True)
    if lattice is True:
        proof = prove(program, None, nodes, gap, session=session)
        return proof.best.values if proof.best else (), proof
    proof = prove(lattice.program, None, nodes, gap)
    proof.tied, proof.held = [{}], False
    return lattice.unfold(proof.best.values) if proof.best else (), proof


def lattice_of(program: Program) -> Lattice | bool:
    """The program over its lattice; False where no whole numbers keep its equations, True where this is no help."""
    if no_sum_fits(program):
        return False
    size = len(program.variables)
    if size > _LARGEST or not all(v.whole for v in program.variables):
        return True
    equations, others = _parted(program)
    if not equations:
        return True
    solved = _hermite(equations, size)
    if solved is None:
        return False
    start, basis = solved
    basis, square = reduced(basis)
    start = _near_box(start, basis, square, [floor((v.lo + v.hi) / 2) for v in program.variables])
    far = 2 * size * max([1, *(ceil(abs(v.hi)) + abs(x) for v, x in zip(program.variables, start, strict=True))])
    inside = [
        Row(v.name, tuple(Fraction(b[j]) for b in basis), v.lo - start[j], v.hi - start[j])
        for j, v in enumerate(program.variables)
    ]
    for row in others:
        at = row.value([Fraction(x) for x in start])
        coefs = tuple(row.value([Fraction(x) for x in vector]) for vector in basis)
        lo, hi = (None if limit is None else limit - at for limit in (row.lo, row.hi))
        inside.append(Row(row.label, coefs, lo, hi))
    costs = [sum((v.cost * b[j] for j, v in enumerate(program.variables)), ZERO) for b in basis]
    free = (Variable(f"z{k}", cost, Fraction(-far), Fraction(far), whole=True) for k, cost in enumerate(costs))
    return Lattice(Program(tuple(free), tuple(inside)), start, basis)


def in_steps(row: Row) -> tuple[list[int], int | None, int | None]:
    """A row of whole numbers alone as whole numbers without a common divisor, by term, and what its sum may be."""
    _, coefs = row.sparse
    step = gcd(*coefs.num.tolist()) or 1
    per = Fraction(coefs.den, step)
    lo, hi = None if row.lo is None else ceil(row.lo * per), None if row.hi is None else floor(row.hi * per)
    return [n // step for n in coefs.num.tolist()], lo, hi


def no_sum_fits(program: Program) -> bool:
    """True where a row over whole numbers alone has no sum between its limits, so that there is no point.

    Every sum is a multiple of the greatest common divisor of the coefficients.
    """
    free = {j for j, v in enumerate(program.variables) if not v.whole}
    steps = (in_steps(row) for row in program.rows if free.isdisjoint(j for j, _ in row.terms))
    return any(lo is not None and hi is not None and lo > hi for _, lo, hi in steps)


def _parted(program: Program) -> tuple[list[tuple[Vector, int]], list[Row]]:
    """The rows that leave a sum of whole numbers one value, as whole numbers, and all other rows."""
    joined: dict[tuple[tuple[int, Fraction], ...], Row] = {}
    for row in program.rows:
        known = joined.get(row.terms, row)
        lo = max((n for n in (known.lo, row.lo) if n is not None), default=None)
        hi = min((n for n in (known.hi, row.hi) if n is not None), default=None)
        joined[row.terms] = row.but(lo=lo, hi=hi)
    equations, others = [], []
    for terms, row in joined.items():
        figures, least, most = in_steps(row)
        if least is not None and least == most:
            coefs = dict(zip((j for j, _ in terms), figures, strict=True))
            equations.append(([coefs.get(j, 0) for j in range(len(program.variables))], least))
        else:
            others.append(row)
    return equations, others


def _hermite(equations: Sequence[tuple[Vector, int]], size: int) -> tuple[Vector, list[Vector]] | None:
    """A solution and a basis of all others; None where there is none. Columns are combined until each row has one."""
    turned = [[int(i == j) for j in range(size)] for i in range(size)]
    start, fixed = [0] * size, 0
    for coefs, limit in equations:
        figures = [sum(a * x for a, x in zip(coefs, vector, strict=True)) for vector in turned]
        rest = limit - sum(a * x for a, x in zip(coefs, start, strict=True))
        while True:
            open_ = [k for k in range(fixed, size) if figures[k]]
            if len(open_) < 2:
                break
            least = min(open_, key=lambda k: abs(figures[k]))
            for k in open_:
                if k != least:
                    times = figures[k] // figures[least]
                    figures[k] -= times * figures[least]
                    turned[k] = [a - times * b for a, b in zip(turned[k], turned[least], strict=True)]
        if not open_:
            if rest:
                return None
            continue
        k = open_[0]
        if rest % figures[k]:
            return None
        start = [x + rest // figures[k] * a for x, a in zip(start, turned[k], strict=True)]
        turned[fixed], turned[k] = turned[k], turned[fixed]
        fixed += 1
    return start, turned[fixed:]


def reduced(basis: list[Vector]) -> tuple[list[Vector], list[Square]]:
    """A basis of the same lattice with short vectors, nearly at right angles; and it made square (Gram and Schmidt)."""
    basis, square, shares = [list(vector) for vector in basis], list[Square](), list[list[Fraction]]()
    while (k := len(square)) < len(basis):
        mine = [_share(basis[k], other) for other in square]
        for j in range(k - 1, -1, -1):
            count = round(plain(mine[j]))
            if count:
                basis[k] = [a - count * b for a, b in zip(basis[k], basis[j], strict=True)]
                mine[: j + 1] = [a - count * b for a, b in zip(mine, (*shares[j], QUICK_ONE), strict=False)]
        rest = list(map(quick, map(Fraction, basis[k])))
        for share, (other, _) in zip(mine, square, strict=True):
            rest = [a - share * b for a, b in zip(rest, other, strict=True)] if share else rest
        length = sum((a * a for a in rest), QUICK_ZERO)
        if not k or length >= (_LOVASZ - mine[-1] ** 2) * square[-1][1]:
            square.append((rest, length))
            shares.append(mine)
        else:
            basis[k], basis[k - 1] = basis[k - 1], basis[k]
            del square[-1], shares[-1]
    return basis, square


def _share(vector: Sequence[int], other: Square) -> Fraction:
    """The share of a vector in one of a square basis."""
    return sum((a * b for a, b in zip(vector, other[0], strict=True) if a and b), QUICK_ZERO) / other[1]


def _near_box(start: Vector, basis: Sequence[Vector], square: Sequence[Square], middle: Sequence[int]) -> Vector:
    """A solution near the middle of the box."""
    for vector, other in zip(reversed(basis), reversed(square), strict=True):
        count = round(plain(_share([x - m for x, m in zip(start, middle, strict=True)], other)))
        start = [x - count * a for x, a in zip(start, vector, strict=True)]
    return start
