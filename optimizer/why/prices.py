"""What each requirement's limit costs: price per unit on both sides, its range, what lies beyond; else its margin."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Annotated

from pydantic import Field

from constraints.as_typed import ONE, ZERO
from constraints.requirement import Requirement, Role
from optimizer.record import Exact, key
from optimizer.why.ground import Ground, Means, changes, family_of, limit_of, moved_to
from optimizer.why.moving import CLOSE, Family, Stand, beside, halved, last, slope_beside

_FIRST = Fraction(1, 1000)
"""First step aside in search of a range's end, as a share of the figure's size; each further one is four times it."""
_STEPS = (Fraction(1, 10_000), Fraction(1, 500_000))
"""Steps aside at which a price is read by solving again, as shares of the figure's size."""
_GROW, _FAR = 4, 7
"""Growth and most steps; the last one is four times the figure's size away."""
_FINE = Fraction(1, 1000)
"""A range's end found by solving again is known to this share of its distance."""
_INSIDE = Fraction(1, 50)
"""Part of a range at either end of it at which its batches are looked at."""
_ROOM = 17
"""Halvings by which the room beside an error is found: to less than one part in a hundred thousand."""
_CHOICES = 8
"""Halvings by which the end is found where another choice of lots becomes cheaper."""
OTHER_CHOICE = "another choice of lots is cheaper"


@dataclass(frozen=True)
class Direction:
    """One direction in which a limit may move, up to where its price holds, and the price beyond."""

    possible: bool
    """False: there is no batch that way."""
    saves: Annotated[Exact | None, key("saves_per_unit")] = None
    """Money saved per unit of the move (negative: it costs so much more)."""
    until: Exact | None = None
    """The figure up to which the basis behind it stays the cheapest (None: without end)."""
    until_saves: Annotated[Exact | None, key("saves_per_unit_until")] = None
    """The price just before that figure, where it is known."""
    saved_there: Exact | None = None
    """The money saved at that figure."""
    straight: bool = True
    """Whether the price is the same all the way."""
    ends_there: Annotated[bool, key("no_batch_beyond")] = False
    beyond: tuple[str, ...] = ()
    """What takes over there."""
    beyond_saves: Annotated[Exact | None, key("saves_per_unit_beyond")] = None
    """The price beyond; None with an empty ``beyond`` where nothing changes any more."""
    batch: Annotated[tuple[Fraction, ...], Field(exclude=True)] = field(default=(), compare=False, repr=False)
    """A batch beside the start."""


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
    loosen: Direction | None
    tighten: Direction | None
    up: int
    unit_saving: Fraction | None = None

    @property
    def price(self) -> Fraction:
        """Money saved per unit of slack given."""
        side = self.loosen if self.loosen is not None and self.loosen.saves is not None else self.tighten
        return ZERO if side is None or side.saves is None else abs(side.saves)


@dataclass(frozen=True)
class Margin:
    """A requirement that does not bind: its figure and the distance to the nearer limit, in its unit."""

    requirement: Requirement
    value: Fraction | None
    margin: Fraction | None


def limit_prices(ground: Ground, *, detail: bool = True) -> tuple[tuple[LimitPrice, ...], tuple[Margin, ...]]:
    """Every requirement that depends on the lots: its prices where it binds, its margin where it does not.

    Without ``detail`` prices alone are found, not how far they hold, and no margins.
    """
    binding: list[LimitPrice] = []
    free: list[Margin] = []
    formula = ground.problem.formula
    for requirement in ground.problem.choosing:
        if not requirement.rows(formula) and not requirement.choices(formula):
            continue
        bound = binding_sides(ground, requirement)
        binding += [_price(ground, requirement, limit, detail=detail) for limit in bound]
        if not bound:
            value = requirement.measure(ground.batch).value
            margin = None if value is None or not detail else _margin(ground, requirement, value)
            free.append(Margin(requirement, value, margin))
    binding.sort(key=lambda found: -found.price)
    return tuple(binding), tuple(free)


def binding_sides(ground: Ground, requirement: Requirement) -> list[str]:
    """Which of a requirement's limits the batch is held by, ``lo`` or ``hi``."""
    if requirement.confidence is not None and ground.cones:
        reached = zip(ground.cones, ground.stand.reached, strict=True)
        return list(dict.fromkeys(cone.side for (r, cone), on in reached if on and r is requirement))
    value, room = requirement.measure(ground.batch).value, CLOSE if ground.cones else ZERO
    return [
        side for side in ("lo", "hi")
        if value is not None and (limit := limit_of(requirement, side)) is not None
        and abs(limit - value) <= room * max(limit, ONE)
    ]  # fmt: skip


def _margin(ground: Ground, requirement: Requirement, value: Fraction) -> Fraction | None:
    """How far the nearer limit could move before it stops the batch, with its room for error."""

    def room(side: str, limit: Fraction) -> Fraction:
        def kept(by: Fraction) -> bool:
            moved = ground.cones_of(moved_to(requirement, side, limit + by))
            return all(cone.holds(ground.values) for cone in moved)

        sure = requirement.confidence is not None and ground.cones
        return abs(halved(kept, ZERO, value - limit, _ROOM) if sure else value - limit)

    limits = [(side, limit_of(requirement, side)) for side in ("lo", "hi")]
    return min((room(side, limit) for side, limit in limits if limit is not None), default=None)


def _price(ground: Ground, requirement: Requirement, limit: str, *, detail: bool) -> LimitPrice:
    """The price of one limit on both sides."""
    up = 1 if limit == "hi" else -1
    limit = "both" if requirement.role is Role.SIZE else limit
    family = family_of(ground, requirement, limit)
    figure: Fraction = family.start if family is not None else getattr(requirement, limit)
    loosen = tighten = again = None
    if family is not None:
        loosen, tighten = (_side_of_limit(ground, requirement, limit, family, way, detail=detail) for way in (up, -up))
    if family is None or (ground.whole and detail):
        side = "hi" if limit == "hi" else "lo"
        again = ground.cost_with(requirement, moved_to(requirement, side, getattr(requirement, side) + up))
    means = ground.means if family is not None else Means.SOLVED_AGAIN
    if not ground.whole and any(side is not None and OTHER_CHOICE in side.beyond for side in (loosen, tighten)):
        means = ground.chosen.means
    saving = None if again is None else ground.cost - again
    return LimitPrice(requirement, limit, figure, means, loosen, tighten, up, saving)


def _side_of_limit(
    ground: Ground, requirement: Requirement, limit: str, family: Family, way: int, *, detail: bool
) -> Direction:
    """One side of a limit; where a batch beside it would not be made, with the choice of lots held as it was made."""

    def other(figure: Fraction) -> bool:
        """Whether another choice of lots is cheaper at a figure, everything solved again, or the only one."""
        if not ground.whole:
            return not ground.made_at(family, figure)
        free = ground.cost_with(requirement, moved_to(requirement, limit, figure))
        held = None if free is None else family.solved(figure)
        return free is not None and (held is None or free < held.cost - CLOSE * CLOSE * abs(held.cost))

    side = side_of(ground, family, way, detail=detail)
    held = None if ground.made(side.batch) else family_of(ground.chosen, requirement, limit)
    if held is not None:
        return _side_of_limit(ground.chosen, requirement, limit, held, way, detail=detail)
    return shortened(ground, family, side, other) if detail else side


def shortened(ground: Ground, family: Family, side: Direction, other: Callable[[Fraction], bool]) -> Direction:
    """A side as far as no other choice of lots is cheaper.

    As long as the cheapest batch of all keeps pulls and remnants it is the cheapest that does.
    """
    if not side.possible or (side.until is None if ground.whole else ground.kept is None):
        return side
    start, end = family.start, side.until if side.until is not None else 2 * family.start + 1
    told = replace(side, beyond=(OTHER_CHOICE,), beyond_saves=None, ends_there=False)
    edge = ZERO if ground.whole else _INSIDE if ground.cones else _INSIDE**2
    if not other(end - (end - start) * edge):
        return told if ground.whole and other(end + (end - start) * _INSIDE) else side
    until = halved(lambda figure: not other(figure), start, end, _CHOICES)
    costs = [found.cost for figure in (start, until) if (found := family.solved(figure)) is not None]
    return replace(told, until=until, saved_there=costs[0] - costs[1] if len(costs) == 2 else None)


def side_of(ground: Ground, family: Family, way: int, *, detail: bool = True) -> Direction:
    """The price on one side of a family's start; in ``detail`` its range and what lies beyond it."""
    return (_resolved if ground.cones else _exact)(ground, family, way, detail=detail)


def _exact(ground: Ground, family: Family, way: int, *, detail: bool) -> Direction:
    if not detail:
        told = slope_beside(family, way, ground.basis, ground.values, ground.prices)
        return Direction(possible=False) if told is None else Direction(True, -way * told[0], batch=told[1])
    found = beside(family, family.start, way, ground.basis)
    if found is None:
        return Direction(possible=False)
    saves, until = -way * found.slope_at(family.start), found.end(way)
    side = Direction(True, saves, until, straight=found.straight, batch=found.values)
    if until is None:
        return replace(side, until_saves=saves if side.straight else None)
    saved = found.cost_at(family.start) - found.cost_at(until)
    side = replace(side, until_saves=-way * found.slope_at(until), saved_there=saved)
    edge = last(family, way)
    after = None if edge is not None and edge == until else beside(family, until, way, found.basis, edge)
    if after is None:
        return replace(side, ends_there=True)
    moving = {drift.row for drift in family.drifts}
    words = changes(ground, found.basis, after.basis, () if after.slope_at(until) and saves else moving)
    return replace(side, beyond=tuple(words), beyond_saves=-way * after.slope_at(until))


def _resolved(ground: Ground, family: Family, way: int, *, detail: bool) -> Direction:
    """The price at the optimum, its range by solving again: how far the same lots are used and limits reached."""
    stand = ground.stand
    slope, beside = _slope(stand.cost, family, family.start, way)
    if slope is None or beside is None:
        return Direction(possible=False)
    side = Direction(True, -way * slope, until_saves=-way * slope, batch=beside.values)
    if not detail:
        return side
    inside, near, far, there = _end(family, stand, way)
    if inside is None:  # not even the first step, and halving it, found a batch
        return Direction(possible=False)
    saved = stand.cost - inside.cost
    if far is None:
        told = replace(side, until=near, until_saves=None, saved_there=saved, straight=False)
        return replace(told, beyond=("no further was looked",))
    back, _ = _slope(inside.cost, family, near, -way)
    if back is None or abs(back - slope) > abs(slope) * _FINE:
        side = replace(side, until_saves=None if back is None else -way * back, straight=False)
    side = replace(side, until=near, saved_there=saved)
    if there is None:
        return replace(side, ends_there=True)
    beyond, _ = _slope(there.cost, family, far, way)
    words = changes(ground, inside.places, there.places, {drift.row for drift in family.drifts})
    return replace(side, beyond=tuple(words), beyond_saves=None if beyond is None else -way * beyond)


def _slope(cost: Fraction, family: Family, figure: Fraction, way: int) -> tuple[Fraction | None, Stand | None]:
    """Change of the least cost per unit at a figure of so much cost, going up (1) or down, and a batch beside it.

    None where there is no batch that way. From two small steps, so that the curve's own bend does not count; smaller
    ones where it has a kink between them.
    """
    rise, beside = None, None
    for share in _STEPS:
        step = share * max(abs(figure), ONE)
        one, two = (family.solved(figure + k * way * step) for k in (1, 2))
        if one is None:
            continue
        first = way * (one.cost - cost) / step
        second = first if two is None else way * (two.cost - one.cost) / step
        rise, beside = first - (second - first) / 2, one
        if abs(second - first) <= abs(first) / 100:
            break
        rise = first
    return rise, beside


def _end(family: Family, start: Stand, way: int) -> tuple[Stand | None, Fraction, Fraction | None, Stand | None]:
    """Last figure solved at which everything stands as beside the start, and the first at which it does not.

    The figure's optimum, the figure, the other figure (None: not reached) and its optimum (None: no batch).
    """
    scale = max(abs(family.start), ONE)
    limit = family.ceiling if way > 0 else family.floor
    inside, near = start, ZERO
    far: Fraction | None = None
    there: Stand | None = None
    wanted, step = start.places, _FIRST * scale
    for k in range(_FAR):
        by = step if limit is None else min(step, abs(limit - family.start))
        if by <= near:
            break
        found = family.solved(family.start + way * by)
        if k == 0 and found is not None and found.places != wanted:
            closer = family.solved(family.start + way * by / 100)
            wanted = found.places if closer is not None and closer.places == found.places else wanted
        if found is None or found.places != wanted:
            far, there = by, found
            break
        inside, near, step = found, by, step * _GROW
    while far is not None and far - near > _FINE * far and far > _FINE**3 * scale:
        by = (near + far) / 2
        found = family.solved(family.start + way * by)
        if found is None or found.places != wanted:
            far, there = by, found
        else:
            inside, near = found, by
    figure = family.start + way * near
    if far is None:
        return inside, figure, None, None
    return None if not near and there is None else inside, figure, family.start + way * far, there


def dearest(ground: Ground) -> tuple[Requirement, int, Fraction] | None:
    """The requirement, the size of the order aside, whose slack saves most per unit; its way of loosening; the saving.

    Without ranges: for the short form below a blend.
    """
    best: tuple[Requirement, int, Fraction] | None = None
    for requirement in ground.problem.choosing:
        size = requirement.role is Role.SIZE or not requirement.rows(ground.problem.formula)
        for limit in () if size else binding_sides(ground, requirement):
            way, family = 1 if limit == "hi" else -1, family_of(ground, requirement, limit)
            if family is not None:
                side = _side_of_limit(ground, requirement, limit, family, way, detail=False)
                if side.saves is not None and side.saves > (ZERO if best is None else best[2]):
                    best = requirement, way, side.saves
    return best
