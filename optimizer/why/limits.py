"""What each requirement's limit costs: price per unit on both sides, its range, what lies beyond; else its margin."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from constraints.meaning import Role
from constraints.requirement import Requirement, widened
from optimizer.bench.rows import layout_for
from optimizer.solver.model import Basis
from optimizer.solver.simplex import Simplex
from optimizer.why.ground import Ground, Means, changes, cheapest, family_of
from optimizer.why.moving import Family, Segment, beside, last

_ZERO = Fraction(0)


@dataclass(frozen=True)
class Side:
    """One direction in which a limit may move, ``loosen`` or ``tighten``.

    ``saves`` is money saved per unit of the move (negative: it costs so much more), ``until`` the figure up to which
    the basis behind it stays the cheapest (None: without end), ``saved_there`` the money saved at that figure, and
    ``straight`` whether the price is the same all the way. ``beyond`` says what takes over, ``beyond_saves`` the price
    there; None with an empty ``beyond`` where nothing changes any more. ``possible`` False: there is no batch that way.
    ``until_saves`` is the price just before ``until`` where it differs on the way and is known.
    """

    way: str
    possible: bool
    saves: Fraction | None = None
    until: Fraction | None = None
    saved_there: Fraction | None = None
    straight: bool = True
    beyond: tuple[str, ...] = ()
    beyond_saves: Fraction | None = None
    ends_there: bool = False
    until_saves: Fraction | None = None


@dataclass(frozen=True)
class LimitPrice:
    """A limit that the batch sits on. ``limit`` is ``lo`` or ``hi``, ``figure`` its figure in the requirement's unit.

    The size of the order moves with its tolerance (``both``): its figure is the kilograms ordered.

    ``up`` is 1 where loosening means a larger figure, else -1. ``unit_saving`` is what giving way by one whole unit
    saves when everything, packs and pulls too, is solved again (None: not asked, or no batch then).
    """

    requirement: Requirement
    limit: str
    figure: Fraction
    means: Means
    loosen: Side | None
    tighten: Side | None
    up: int
    unit_saving: Fraction | None = None

    @property
    def price(self) -> Fraction:
        """Money saved per unit of slack given."""
        side = self.loosen if self.loosen is not None and self.loosen.saves is not None else self.tighten
        return _ZERO if side is None or side.saves is None else abs(side.saves)


@dataclass(frozen=True)
class Margin:
    """A requirement that does not bind: its figure and the distance to the nearer limit, in its unit."""

    requirement: Requirement
    value: Fraction | None
    margin: Fraction | None


def limit_prices(ground: Ground) -> tuple[tuple[LimitPrice, ...], tuple[Margin, ...]]:
    """Every requirement that depends on the lots: its prices where it binds, its margin where it does not."""
    binding: list[LimitPrice] = []
    free: list[Margin] = []
    for requirement in ground.problem.choosing:
        value = figure_of(ground, requirement, ground.values)
        formula = ground.problem.formula
        if not requirement.rows(formula) and not requirement.choices(formula):
            continue
        bound = [s for s in ("lo", "hi") if value is not None and getattr(requirement, s) == value]
        for limit in bound:
            binding.append(_price(ground, requirement, limit))
        if not bound:
            free.append(Margin(requirement, value, None if value is None else _margin(requirement, value)))
    binding.sort(key=lambda found: -found.price)
    return tuple(binding), tuple(free)


def figure_of(ground: Ground, requirement: Requirement, values: tuple[Fraction, ...]) -> Fraction | None:
    """A requirement's figure at a point of the program, exact; None where it has none."""
    batch = ground.problem.formula.exact_batch(ground.layout.kilograms(values))
    return requirement.measure(batch).value


def _margin(requirement: Requirement, value: Fraction) -> Fraction | None:
    gaps = []
    if requirement.lo is not None:
        gaps.append(value - requirement.lo)
    if requirement.hi is not None:
        gaps.append(requirement.hi - value)
    return min(gaps, default=None)


def _price(ground: Ground, requirement: Requirement, limit: str) -> LimitPrice:
    up = 1 if limit == "hi" else -1
    if requirement.role is Role.SIZE:
        limit = "both"
    family = family_of(ground, requirement, limit)
    figure: Fraction = family.start if family is not None else getattr(requirement, limit)
    loosen = tighten = None
    if family is not None:
        loosen, tighten = side_of(ground, family, up, "loosen"), side_of(ground, family, -up, "tighten")
    again = _one_unit(ground, requirement, limit) if ground.whole or family is None else None
    means = ground.means if family is not None else Means.SOLVED_AGAIN
    return LimitPrice(requirement, limit, figure, means, loosen, tighten, up, again)


def side_of(ground: Ground, family: Family, way: int, name: str, start: Basis | None = None) -> Side:
    """The price on one side of a family's start, its range and what lies beyond it."""
    found = beside(family, family.start, way, start or ground.basis)
    if found is None:
        return Side(name, possible=False)
    saves = -way * found.slope_at(family.start)
    until = found.hi if way > 0 else found.lo
    if until is None:
        return Side(name, True, saves, straight=found.straight)
    there = found.cost_at(family.start) - found.cost_at(until)
    moving = {drift.row for drift in family.drifts}
    edge = last(family, way, found.basis, at=found.at)
    if edge is not None and edge == until:
        blame = _in_the_way(ground, family, found, until)
        return Side(name, True, saves, until, there, found.straight, blame, None, True)
    after = beside(family, until, way, found.basis, edge)
    if after is None:
        return Side(name, True, saves, until, there, found.straight, (), None, True)
    words = changes(ground, found.basis, after.basis, () if after.price and found.price else moving)
    return Side(name, True, saves, until, there, found.straight, tuple(words), -way * after.slope_at(until))


def _in_the_way(ground: Ground, family: Family, found: Segment, until: Fraction) -> tuple[str, ...]:
    """What stops the batch at the last feasible figure: whatever exact prices refute a step beyond it."""
    way = 1 if found.hi is not None and until == found.hi else -1
    search = Simplex(family.at(until + way * max(abs(until), Fraction(1)) / 1000), found.basis)
    if search.minimise():
        return ()
    prices = search.refutation()
    moving = {drift.row for drift in family.drifts}
    movers = {id(ground.owners[i].requirement) for i in moving if i < len(ground.owners)}
    blamed = [owner for i, owner in enumerate(ground.owners) if prices[i] and i not in moving]
    if any(id(owner.requirement) in movers for owner in blamed):
        return ("its own other limit",)
    names = [
        "packs and pulls as chosen" if owner.requirement is None else f"{owner.label} ({owner.requirement.limits()})"
        for owner in blamed
    ]
    return tuple(dict.fromkeys(names))


def dearest(ground: Ground) -> tuple[Requirement, int, Fraction] | None:
    """The requirement, the size of the order aside, whose slack saves most per unit; its way of loosening; the saving.

    One exact solve for each that binds, without ranges: for the short form below a blend.
    """
    best: tuple[Requirement, int, Fraction] | None = None
    for requirement in ground.problem.choosing:
        value = None if requirement.role is Role.SIZE else figure_of(ground, requirement, ground.values)
        for limit, way in (("lo", -1), ("hi", 1)):
            if value is None or getattr(requirement, limit) != value:
                continue
            family = family_of(ground, requirement, limit)
            found = None if family is None else beside(family, family.start, way, ground.basis)
            if family is not None and found is not None:
                saves = -way * found.slope_at(family.start)
                if saves > 0 and (best is None or saves > best[2]):
                    best = requirement, way, saves
    return best


def unit_wider(requirement: Requirement, limit: str) -> Requirement:
    """A requirement with one limit (``both``: the lower one) a unit farther."""
    lo, hi = requirement.lo, requirement.hi
    lower = lo - 1 if limit in ("lo", "both") and lo is not None else lo
    return widened(requirement, lower, hi + 1 if limit == "hi" and hi is not None else hi)


def _one_unit(ground: Ground, requirement: Requirement, limit: str) -> Fraction | None:
    """Money saved by giving way one unit with everything solved again."""
    cost = cost_with(ground, requirement, unit_wider(requirement, limit))
    return None if cost is None else ground.cost - cost


def cost_with(ground: Ground, old: Requirement, new: Requirement) -> Fraction | None:
    """The least cost with one requirement replaced by another, everything solved again; None where no batch."""
    chosen = [new if r is old else r for r in ground.problem.choosing]
    program = layout_for(ground.problem, chosen, any_size=True)[0].program
    values = cheapest(program)
    return None if values is None else program.cost(values)
