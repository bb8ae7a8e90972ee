"""Prices of limits, their ranges and margins where limits are kept with a stated confidence.

The least cost is then a smooth curve in any limit: a price is that at the limit as it stands, read from the cuts at the
optimum (see stand). A range is found by solving again at changed figures: how far the same lots are used and the same
requirements reached, to within a thousandth of the way there. With whole packs both hold them as chosen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from constraints.cone import Cone
from constraints.meaning import Role
from constraints.requirement import Requirement, widened
from optimizer.bench.rows import Owner, layout_for
from optimizer.problem import Problem
from optimizer.solver.model import Basis
from optimizer.solver.optimum import held
from optimizer.solver.program import Layout
from optimizer.why.ground import Ground, Means, changes, family_of
from optimizer.why.limits import LimitPrice, Margin, Side, figure_of, unit_wider
from optimizer.why.moving import Family
from optimizer.why.sure.stand import CLOSE, Curved, Stand
from optimizer.why.ways_out import LEAST_ORDER

_ZERO = Fraction(0)
_ONE = Fraction(1)
_FIRST = Fraction(1, 1000)
"""First step aside in search of a range's end, as a share of the figure's size; each further one is four times it."""
_GROW = 4
_FAR = 7
"""Most steps; the last one is four times the figure's size away."""
_FINE = Fraction(1, 1000)
"""A range's end is known to this share of its distance."""


@dataclass(frozen=True)
class SureGround:
    """The optimum explained: ``stand`` with whole numbers held as chosen; ``free`` with them to be chosen anew."""

    problem: Problem
    plain: Ground
    free: Curved
    stand: Stand
    cone_owners: tuple[Requirement, ...]

    @property
    def layout(self) -> Layout:
        """The layout of the program."""
        return self.plain.layout

    @property
    def cost(self) -> Fraction:
        """Cost of the cheapest batch."""
        return self.stand.cost

    @property
    def whole(self) -> bool:
        """True where whole packs or pulls are part of the problem."""
        return self.free.program.whole

    @property
    def means(self) -> Means:
        """How prices of limits are found."""
        return Means.CURVED_FIXED if self.whole else Means.CURVED

    @property
    def values(self) -> tuple[Fraction, ...]:
        """Values of the program's variables."""
        return self.stand.values

    @cached_property
    def worded(self) -> Ground:
        """The plain ground with the cones' requirements as owners of further rows, for words about what changes."""
        pairs = zip(self.cone_owners, self.stand.curved.cones, strict=True)
        owners = [Owner(r, f"{cone.label}, with its error") for r, cone in pairs]
        return replace(self.plain, owners=(*self.plain.owners, *owners))


def cones_over(ground: Ground, requirements: Sequence[Requirement]) -> tuple[tuple[Requirement, Cone], ...]:
    """The cones of some requirements over the variables of a ground's program."""
    units, size = ground.layout.units, len(ground.program.variables)
    formula = ground.problem.formula
    return tuple((r, cone.over(units, size)) for r in requirements for cone in r.cones(formula))


def sure_ground(problem: Problem, values: Sequence[Fraction] = ()) -> SureGround | None:
    """The ground of a problem with cones; None where it has no batch. ``values`` are those of an optimum known."""
    layout, owners = layout_for(problem, any_size=True)
    empty = Ground(problem, layout, layout.program, owners, (), _ZERO, (), Basis((), ()))
    pairs = cones_over(empty, problem.choosing)
    free = Curved(layout.program, tuple(cone for _, cone in pairs))
    point = tuple(values)
    if not point:
        found = free.cheapest()
        if found is None:
            return None
        point = found.values
    linear = held(layout.program, point) if layout.program.whole else layout.program
    stand = Stand(Curved(linear, free.cones), point)
    plain = replace(empty, program=linear, values=point, cost=stand.cost)
    return SureGround(problem, plain, free, stand, tuple(r for r, _ in pairs))


@dataclass(frozen=True)
class Moving:
    """A figure that can be set to another value: its start, how rows move a unit, and what is solved at a value.

    ``cones`` gives the cones at a value. ``floor`` and ``ceiling`` are the values looked at (None: no end).
    """

    start: Fraction
    family: Family
    cones: Callable[[Fraction], tuple[Cone, ...]]
    floor: Fraction | None = None
    ceiling: Fraction | None = None

    def at(self, figure: Fraction) -> Stand | None:
        """Solved again at a value."""
        return Curved(self.family.at(figure), self.cones(figure)).cheapest()

    def slope(self, stand: Stand, figure: Fraction, way: int) -> Fraction | None:
        """Change of the least cost per unit at a value that was solved, going up (1) or down (-1)."""
        return stand.slope(self.family.drifts, self.cones(figure + 1), figure, way)


def moving_of(ground: SureGround, requirement: Requirement, side: str) -> Moving | None:
    """One requirement's limit as a figure that moves; None where its rows do not move in proportion to it."""
    family = family_of(ground.plain, requirement, side)
    if family is None:
        return None
    own = {k for k, r in enumerate(ground.cone_owners) if r is requirement}

    def cones(figure: Fraction) -> tuple[Cone, ...]:
        if not own:
            return ground.stand.curved.cones
        moved = iter([cone for _, cone in cones_over(ground.plain, [moved_to(requirement, side, figure)])])
        return tuple(next(moved) if k in own else c for k, c in enumerate(ground.stand.curved.cones))

    percent = requirement.unit == "%"
    least = family.start / LEAST_ORDER if requirement.role is Role.SIZE else _ZERO
    return Moving(family.start, family, cones, least, Fraction(100) if percent else None)


def moved_to(requirement: Requirement, side: str, figure: Fraction) -> Requirement:
    """The requirement with its limit (``lo``, ``hi``, or ``both`` by their middle) at another figure."""
    lo, hi = requirement.lo, requirement.hi
    if side == "both" and lo is not None and hi is not None:
        by = figure - (lo + hi) / 2
        return widened(requirement, lo + by, hi + by)
    return widened(requirement, figure if side == "lo" else lo, figure if side == "hi" else hi)


def side_of(ground: SureGround, moving: Moving, way: int, name: str, start: Stand | None = None) -> Side:
    """The price on one side of a figure's start, its range by solving again, and what lies beyond it."""
    stand = start or ground.stand
    slope = moving.slope(stand, moving.start, way)
    if slope is None:
        return Side(name, possible=False)
    saves = -way * slope
    inside, far, outside, there = _end(moving, stand, way)
    if inside is None:  # not even the first step, and halving it, found a batch
        return Side(name, possible=False)
    if outside is None:
        return Side(name, True, saves, far, stand.cost - inside.cost, False, ("no further was looked",), None)
    price_there = moving.slope(inside, far, -way)
    told = None if price_there is None else -way * price_there
    straight = told is not None and abs(told - saves) <= abs(saves) * _FINE
    saved = stand.cost - inside.cost
    if there is None:
        return Side(name, True, saves, far, saved, straight, (), None, True, told)
    beyond = moving.slope(there, outside, way)
    skip = {drift.row for drift in moving.family.drifts}
    words = changes(ground.worded, inside.places, there.places, skip)
    return Side(name, True, saves, far, saved, straight, tuple(words), None if beyond is None else -way * beyond,
                False, told)  # fmt: skip


def _end(moving: Moving, start: Stand, way: int) -> tuple[Stand | None, Fraction, Fraction | None, Stand | None]:
    """Last figure solved at which everything stands as beside the start, and the first at which it does not.

    The figure's optimum, the figure, the other figure (None: not reached) and its optimum (None: no batch).
    """
    scale = max(abs(moving.start), _ONE)
    inside, near = start, _ZERO
    far: Fraction | None = None
    there: Stand | None = None
    wanted = start.places
    step = _FIRST * scale
    for k in range(_FAR):
        by = _clipped(moving, way, step)
        if by <= near:
            break
        found = moving.at(moving.start + way * by)
        if k == 0 and found is not None and found.places != wanted:
            closer = moving.at(moving.start + way * by / 100)
            if closer is not None and closer.places == found.places:
                wanted = found.places
        if found is None or found.places != wanted:
            far, there = by, found
            break
        inside, near, step = found, by, step * _GROW
    while far is not None and far - near > _FINE * far and far > _FINE**3 * scale:
        by = (near + far) / 2
        found = moving.at(moving.start + way * by)
        if found is None or found.places != wanted:
            far, there = by, found
        else:
            inside, near = found, by
    figure = moving.start + way * near
    if far is None:
        return inside, figure, None, None
    if not near and there is None:
        return None, figure, None, None
    return inside, figure, moving.start + way * far, there


def _clipped(moving: Moving, way: int, step: Fraction) -> Fraction:
    end = moving.ceiling if way > 0 else moving.floor
    return step if end is None else min(step, abs(end - moving.start))


def sure_limits(ground: SureGround) -> tuple[tuple[LimitPrice, ...], tuple[Margin, ...]]:
    """Every requirement that depends on the lots: its prices where it binds, its margin where it does not."""
    binding: list[LimitPrice] = []
    free: list[Margin] = []
    formula = ground.problem.formula
    for requirement in ground.problem.choosing:
        if not requirement.rows(formula) and not requirement.choices(formula):
            continue
        bound = binding_sides(ground, requirement)
        binding += [limit_price(ground, requirement, limit) for limit in bound]
        if not bound:
            value = figure_of(ground.plain, requirement, ground.values)
            free.append(Margin(requirement, value, None if value is None else margin(ground, requirement, value)))
    binding.sort(key=lambda found: -found.price)
    return tuple(binding), tuple(free)


def sure_dearest(ground: SureGround) -> tuple[Requirement, int, Fraction] | None:
    """The requirement, the size of the order aside, whose slack saves most per unit; its way of loosening; the saving.

    From the prices at the optimum, without solving again: for the short form below a blend.
    """
    best: tuple[Requirement, int, Fraction] | None = None
    for requirement in ground.problem.choosing:
        if requirement.role is Role.SIZE or not requirement.rows(ground.problem.formula):
            continue
        for limit in binding_sides(ground, requirement):
            way = 1 if limit == "hi" else -1
            moving = moving_of(ground, requirement, limit)
            slope = None if moving is None else moving.slope(ground.stand, moving.start, way)
            if slope is not None and -way * slope > 0 and (best is None or -way * slope > best[2]):
                best = requirement, way, -way * slope
    return best


def binding_sides(ground: SureGround, requirement: Requirement) -> list[str]:
    """Which of a requirement's limits the batch is held by, ``lo`` or ``hi``."""
    if requirement.confidence is not None:
        reached = iter([on for r, on in zip(ground.cone_owners, ground.stand.reached, strict=True) if r is requirement])
        sides = requirement.sides(ground.problem.formula)
        return list(dict.fromkeys(side for side, on in zip(sides, reached, strict=True) if on))
    value = figure_of(ground.plain, requirement, ground.values)
    if value is None:
        return []
    limits = {"lo": requirement.lo, "hi": requirement.hi}
    return [s for s, limit in limits.items() if limit is not None and abs(limit - value) <= CLOSE * max(limit, _ONE)]


def limit_price(ground: SureGround, requirement: Requirement, limit: str) -> LimitPrice:
    """The price of one limit on both sides."""
    up = 1 if limit == "hi" else -1
    side = "both" if requirement.role is Role.SIZE else limit
    moving = moving_of(ground, requirement, side)
    figure: Fraction = moving.start if moving is not None else getattr(requirement, limit)
    loosen = tighten = None
    if moving is not None:
        loosen, tighten = side_of(ground, moving, up, "loosen"), side_of(ground, moving, -up, "tighten")
    again = one_unit(ground, requirement, side) if ground.whole or moving is None else None
    means = ground.means if moving is not None else Means.SOLVED_AGAIN
    return LimitPrice(requirement, side, figure, means, loosen, tighten, up, again)


def one_unit(ground: SureGround, requirement: Requirement, limit: str) -> Fraction | None:
    """Money saved by giving way one unit with everything solved again, packs too; None where no batch is found."""
    cost = cost_with(ground, requirement, unit_wider(requirement, limit))
    return None if cost is None else ground.cost - cost


def cost_with(ground: SureGround, old: Requirement, new: Requirement) -> Fraction | None:
    """The least cost with one requirement replaced by another, everything solved again; None where no batch."""
    chosen = [new if r is old else r for r in ground.problem.choosing]
    program = layout_for(ground.problem, chosen, any_size=True)[0].program
    found = Curved(program, tuple(cone for _, cone in cones_over(ground.plain, chosen))).cheapest()
    return None if found is None else found.cost


def margin(ground: SureGround, requirement: Requirement, value: Fraction) -> Fraction | None:
    """How far the nearer limit could move before it stops the batch, with its room for error."""
    gaps = []
    for side, limit, way in (("lo", requirement.lo, 1), ("hi", requirement.hi, -1)):
        if limit is None:
            continue
        gap = way * (value - limit)
        gaps.append(_room(ground, requirement, side, gap) if requirement.confidence is not None else gap)
    return min(gaps, default=None)


def _room(ground: SureGround, requirement: Requirement, side: str, gap: Fraction) -> Fraction:
    """The part of a gap between figure and limit that the error does not need, to one part in a million."""
    limit, way = (requirement.hi, -1) if side == "hi" else (requirement.lo, 1)
    assert limit is not None
    near, far = _ZERO, gap
    while far - near > CLOSE * gap:
        middle = (near + far) / 2
        kept = moved_to(requirement, side, limit + way * middle)
        if all(cone.holds(ground.values) for _, cone in cones_over(ground.plain, [kept])):
            near = middle
        else:
            far = middle
    return near
