"""Where no batch exists: what can be done, each thing worked out, rounded inward, put into the problem and solved.

A law's limit is never moved. Of what is found the three cheapest are blended to the end, on the scales, and go a little
farther where a batch on the edge cannot be weighed. Where limits hold with a stated confidence a figure is closed in on
by halving, because nothing but solving again is exact about it.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial, reduce
from typing import TypeVar

from constraints.as_typed import ONE, PERCENT, ZERO
from constraints.asked import Stock
from constraints.quantities import Lot
from constraints.requirement import Requirement, Role, asked_confidence, measured_again
from optimizer.answer import Answer
from optimizer.bench import NEAR_NODES, Bench, Conflict, with_lots, with_requirements
from optimizer.problem import Problem
from optimizer.remarks import inward
from optimizer.solver.program import Variable
from optimizer.why.ground import LEAST_ORDER, NotSettled, Section, limit_of, settled
from optimizer.why.moving import curved_of, halved
from optimizer.why.offered import Offered, OnOffer
from optimizer.why.way import FARTHER, Concession, Way, WayKind, best_weighed, conceded, in_order, ways_to_weigh

_LOTS = 5
"""Lots looked at one by one: those that the proof of the conflict leans on most."""
_PLENTY = Fraction(10) ** 6
_HALVINGS = 14
_One = TypeVar("_One")
_PERCENT_STEP, _LEAST_SURE = Fraction(1, 100), Fraction(51, 100)


def ways_for(answer: Answer, unfinished: list[NotSettled], shelf: OnOffer | None = None) -> tuple[Way, ...]:
    """Everything that can be done about an answer that is no batch; what was not looked into to the end is named."""
    if answer.conflict is not None:
        return ways_out(answer.problem, answer.conflict, unfinished, shelf)
    ways: list[Way] = []
    with settled(unfinished, Section.WAYS_OUT, "ways to weigh the batch"):
        ways += ways_to_weigh(answer.problem, answer.scale_prevents)
    return in_order(ways)


def ways_out(
    problem: Problem, conflict: Conflict, unfinished: list[NotSettled], shelf: OnOffer | None = None
) -> tuple[Way, ...]:
    """As ``ways_for``, out of a conflict."""
    legal = (r for r in conflict.requirements if r.origin.legal)
    if any(r.fixed_value(problem.formula) is not None for r in legal) or not problem.formula.lots:
        return ()
    search = _Search(problem, conflict)
    ways: list[Way] = []
    parts = [(f"giving way on {r.what}", search.giving(r)) for r in conflict.requirements if not r.origin.legal]
    if not fixed_broken(problem):
        parts += search.parts()
        if shelf is not None:
            parts.append(("what to buy", search.bought(shelf)))
        parts.append(("giving way on several limits", search.together(ways)))
    for what, found in parts:
        with settled(unfinished, Section.WAYS_OUT, what):
            ways += found
    search.bench.hold()
    with settled(unfinished, Section.WAYS_OUT, "trying the ways on the scales"):
        ways = best_weighed(ways)
    return in_order(ways)


class _Search:
    """One search for ways out of a conflict; every way is costed by solving its problem."""

    def __init__(self, problem: Problem, conflict: Conflict) -> None:
        self.problem, self.conflict = problem, conflict
        self.bench = conflict.bench or Bench(problem)
        self.curved = any(r.cones(problem.formula) for r in problem.choosing)
        self.lots = [lot for lot in problem.formula.lots if isinstance(lot, Lot)]
        self.reached = {id(reach.requirement): reach for reach in conflict.reach}

    def parts(self) -> list[tuple[str, Iterator[Way]]]:
        """What is looked into beside single limits."""
        found = [("leaving lots that must be used up", self.left())]
        if self.curved:
            return [*found, ("a lower confidence", self.less_sure()), ("lots measured again", self.measured())]
        found.append(("more on hand of a lot", self.more()))
        return [*found, ("opening packs", self.packs())] if self.conflict.packs_matter else found

    def costed(self, way: Way) -> Iterator[Way]:
        """The way with its cost, if there is a batch with it."""
        if fixed_broken(way.problem):
            return
        if self.curved:
            stand = curved_of(way.problem).cheapest()
            if stand is not None:
                yield replace(way, cost=stand.cost)
            return
        bench = Bench(way.problem)
        cost = bench.least_cost()
        if cost is not None:
            yield replace(way, cost=cost, sure=bench.sure)

    # Giving way.

    def giving(self, requirement: Requirement) -> Iterator[Way]:
        """One requirement's limits, each moved as little as will do; or it is left out where it has no figure."""
        formula = self.problem.formula
        fixed = requirement.fixed_value(formula)
        if fixed is not None:
            yield from self.costed(self._moved([Concession.to(self.problem, requirement, fixed)]))
        elif self.curved:
            for side, old, far in _sides(requirement):
                figure = self._first(partial(self._with_limit, requirement, side, old), old, far)
                if figure is not None:
                    yield from self._farther([Concession.to(self.problem, requirement, figure)])
        elif requirement.terms(formula) is None:
            yield from self._without(requirement)
        else:
            yield from self._nearest(requirement)

    def _with_limit(self, requirement: Requirement, side: str, old: Fraction, new: Fraction) -> Problem:
        return conceded(self.problem, [Concession(requirement, side, old, new)])

    def _first(self, at: Callable[[Fraction], Problem], near: Fraction, far: Fraction) -> Fraction | None:
        """The figure nearest to ``near`` with a batch, to one part in some thousands; None: none even at ``far``."""

        def holds(figure: Fraction) -> bool:
            return curved_of(at(figure)).cheapest() is not None

        return halved(holds, far, near, _HALVINGS) if holds(far) else None

    def _nearest(self, requirement: Requirement) -> Iterator[Way]:
        reach = self.reached.get(id(requirement))
        if reach is not None:
            figures = {"lo": reach.below, "hi": reach.above}
        else:
            self.bench.hold([r for r in self.bench.requirements if r is not requirement])
            figures = {**self.bench.nearest(requirement)[0]}
        least = self.problem.order.kilograms / LEAST_ORDER if requirement.role is Role.SIZE else None
        for figure in figures.values():
            if figure is not None and (least is None or figure >= least):
                yield from self._farther([Concession.to(self.problem, requirement, figure)])

    def _without(self, requirement: Requirement) -> Iterator[Way]:
        """A rule on the use of lots: its number larger, or the rule left out."""
        self.bench.hold([r for r in self.bench.requirements if r is not requirement])
        fewest = self.bench.fewest(requirement)
        if fewest is not None and requirement.hi is not None:
            yield from self._farther([Concession(requirement, "hi", requirement.hi, fewest)])
            return
        rest = tuple(r for r in self.problem.requirements if r is not requirement)
        yield from self.costed(Way(WayKind.DROPPED, replace(self.problem, requirements=rest), dropped=requirement))

    def _moved(self, concessions: Sequence[Concession]) -> Way:
        alone = WayKind.WEIGHT if concessions[0].limit == "both" else WayKind.LIMIT
        kind = WayKind.LIMITS if len(concessions) > 1 else alone
        return Way(kind, conceded(self.problem, concessions), tuple(concessions))

    def _farther(self, concessions: Sequence[Concession]) -> Iterator[Way]:
        """The way of these concessions, or of the first a little farther that has a batch."""
        steps = FARTHER if self.curved else (0,)
        sound = (n for n in steps if all(c.limit != "both" or c.farther(n).new > 0 for c in concessions))
        return self._tried(lambda n: self._moved([c.farther(n) for c in concessions]), sound)

    def _tried(self, made: Callable[[int], Way], steps: Iterable[int] = (0,)) -> Iterator[Way]:
        """The way by the first of these steps with a batch; it can go farther."""

        def farther(n: int) -> Way:
            way = made(n)
            return next(self.costed(way), way)

        way = next((way for n in steps if (way := farther(n)).cost is not None), None)
        if way is not None:
            yield replace(way, farther=farther)

    def together(self, ways: Sequence[Way]) -> Iterator[Way]:
        """Several limits moved at once where no way alone is known: the least sum of moves as shares of the figures.

        Moves are counted in the rows' own units over the weight ordered, which is exact for shares of its basis.
        """
        if ways or self.curved:
            return
        problem, kept = self.problem, self.bench.kept
        soft = [r for r in self.bench.requirements if not r.origin.legal and r.terms(problem.formula) is not None]
        self.bench.hold()
        give: list[tuple[Variable, dict[int, Fraction]]] = []
        for r in soft:
            weight = ONE if r.role is Role.SIZE else problem.order.kilograms
            for i in self.bench.rows_of(r):
                for limit, figure, sign in ((kept.rows[i].lo, r.lo, ONE), (kept.rows[i].hi, r.hi, -ONE)):
                    if limit is not None:
                        cost = ONE / (weight * max(abs(figure or ZERO), Fraction(1, 1000)))
                        give.append((Variable("give", cost, ZERO, _PLENTY), {i: sign}))
        giving = kept.add_columns(give)
        kept.aim({j: v.cost for j, (v, _) in zip(giving, give, strict=True)})
        try:
            values = kept.best(NEAR_NODES)
        finally:
            for j in giving:
                kept.bound(j, ZERO, ZERO)
        batch = problem.formula.exact_batch(self.bench.layout.kilograms(values)) if values else None
        measured = [] if batch is None else [(r, r.measure(batch).value) for r in soft]
        moved = [Concession.to(problem, r, value) for r, value in measured if value is not None and not r.within(value)]
        yield from self._farther(moved) if moved else ()

    # Lots.

    def _with(self, lots: Sequence[Lot]) -> Problem:
        """The problem with some lots replaced by others of the same name."""
        new = {lot.name: lot for lot in lots}
        return with_these(self.problem, [new.get(lot.name, lot) for lot in self.lots])

    def _lots(self, kind: WayKind, lots: Sequence[Lot], changed: Callable[[Sequence[Lot]], Problem]) -> Iterator[Way]:
        """Some lots changed, the first few each by itself."""
        return _alone_or_all(
            lots, lambda some: self.costed(Way(kind, changed(some), lots=tuple((lot, ZERO) for lot in some))), _LOTS
        )

    def left(self) -> Iterator[Way]:
        """Lots that need not be used up after all."""
        must = [lot for lot in self.lots if lot.use_up and not lot.parts]
        return self._lots(WayKind.USE_UP, must, lambda lots: self._with([replace(lot, use_up=False) for lot in lots]))

    def packs(self) -> Iterator[Way]:
        """Lots whose packs are opened, or whose smallest pull is waived."""
        packed = [lot for lot in self.lots if lot.pack_kg or lot.smallest_pull_kg]

        def opened(some: Sequence[Lot]) -> Problem:
            return self._with([replace(lot, pack_kg=None, smallest_pull_kg=None) for lot in some])

        return self._lots(WayKind.PACKS, packed, opened)

    def more(self) -> Iterator[Way]:
        """More of a kind of which there is a lot, at its price: as little of it as will do."""
        problem, ceiling = self.problem, self.problem.order.kilograms + self.problem.order.within_kg
        for j in self._leaning()[:_LOTS]:
            lot = problem.formula.columns[j]
            if not isinstance(lot, Lot):
                continue
            there = Bench(self._with([_grown(lot, ceiling / lot.usable)])).kept
            there.aim({j: ONE})
            values = there.best(NEAR_NODES)
            least = values[j] * self.bench.layout.units[j] / lot.usable - lot.on_hand_kg if values else ZERO
            if least > 0:
                yield from self._tried(partial(self._more_of, lot, inward(problem, least, 1)))

    def _more_of(self, lot: Lot, extra: Fraction, steps: int) -> Way:
        kg = inward(self.problem, extra * (1 + Fraction(steps, 100)), 1)
        spend = kg * lot.held_cost_per_kg
        return Way(WayKind.STOCK, self._with([_grown(lot, kg)]), lots=((lot, kg),), spend=spend)

    def _leaning(self) -> list[int]:
        """Variables whose upper bound the proof that there is no batch leans on, those it leans on most first.

        A larger bound of any other variable leaves the proof standing and cannot help.
        """
        self.bench.hold()
        self.bench.kept.aim({})
        found = self.bench.kept.leaning()
        size = len(self.bench.layout.units)
        some = [j for j in range(size) if self.bench.kept.variables[j].hi > 0]
        return some if found is None else [j for j in found if j < size]

    def bought(self, shelf: OnOffer) -> Iterator[Way]:
        """The least to spend on one offer so that a batch exists; on all of them where none will do alone."""
        columns = [c.name for c in shelf.problem.formula.columns]
        known = {columns.index(offer.lot.name): offer for offer in shelf.offers if offer.lot.name in columns}
        bench = Bench(shelf.problem)
        most = {j: bench.kept.variables[j].hi for j in known}

        def cheapest(chosen: Sequence[int]) -> Iterator[Way]:
            for j, hi in most.items():
                bench.kept.bound(j, ZERO, hi if j in chosen else ZERO)
            bench.kept.aim({j: (ONE if (o := known[j]).price is None else o.price) / o.lot.usable for j in chosen})
            values = bench.kept.best()
            lots = [(known[j], values[j] / known[j].lot.usable) for j in chosen if values and values[j]]
            for way in self._tried(lambda n: self._purchase(shelf, lots, 1 + Fraction(n, 100))) if lots else ():
                yield way if way.spend is not None else replace(way, cost=None, farther=None)

        return _alone_or_all(list(known), cheapest)

    def _purchase(self, shelf: OnOffer, bought: Sequence[tuple[Offered, Fraction]], times: Fraction) -> Way:
        """Whole orders of so many times some kilograms of offers, among the lots at hand."""
        order = []
        for offer, kg in bought:
            wanted = inward(self.problem, kg * times, 1)
            order.append((offer, offer.ordered(min(wanted, offer.lot.on_hand_kg))))
        there = with_these(shelf.problem, [*self.lots, *(replace(offer.lot, on_hand_kg=kg) for offer, kg in order)])
        paid = [offer.pays(kg) for offer, kg in order]
        spend = None if None in paid else sum((money or ZERO for money in paid), ZERO)
        return Way(WayKind.PURCHASE, there, lots=tuple((o.lot, kg) for o, kg in order), spend=spend)

    # With a stated confidence.

    def less_sure(self) -> Iterator[Way]:
        """The confidence lowered for every limit, in whole percents."""
        asked = asked_confidence(self.problem.choosing)
        if asked is None or asked.probability <= _LEAST_SURE:
            return

        def at(probability: Fraction) -> Problem:
            sure = asked.model_copy(update={"probability": probability})
            return with_requirements(self.problem, lambda r: replace(r, confidence=r.confidence and sure))

        found = self._first(at, asked.probability, _LEAST_SURE)
        figure = ZERO if found is None else found // _PERCENT_STEP * _PERCENT_STEP
        if figure >= _LEAST_SURE:
            yield from self.costed(Way(WayKind.CONFIDENCE, at(figure), probability=(asked.probability, figure)))

    def measured(self) -> Iterator[Way]:
        """One lot measured again, those of the largest error first; where none will do alone, all of them."""
        known = asked_confidence(self.problem.choosing)
        if known is None:
            return iter(())
        lots = [lot for lot in self.lots if known.improves(lot)]
        lots.sort(key=lambda lot: (-known.finding(lot).sd * lot.usable_kg, lot.name))

        def again(chosen: Sequence[Lot]) -> Problem:
            return with_requirements(self.problem, lambda r: reduce(measured_again, chosen, r))

        return self._lots(WayKind.MEASURED, lots, again)


# Figures.


def _alone_or_all(
    some: Sequence[_One], ways: Callable[[Sequence[_One]], Iterator[Way]], most: int | None = None
) -> Iterator[Way]:
    """What can be done with each of some things by itself, at most so many; where none will do alone, with all."""
    found = False
    for one in some[:most]:
        for way in ways([one]):
            found = True
            yield way
    if not found and len(some) > 1:
        yield from ways(some)


def _grown(lot: Lot, kg: Fraction) -> Lot:
    """A lot of which there is so much more."""
    held, largest = lot.on_hand_kg + kg, lot.largest_pull_kg
    return replace(lot, on_hand_kg=held, largest_pull_kg=None if largest is None else max(largest, held))


def with_these(problem: Problem, lots: Sequence[Lot]) -> Problem:
    """The problem over other lots, their stock judged anew."""
    stock = Stock.of(lots)
    return with_requirements(with_lots(problem, lots), lambda r: stock if r.role is Role.STOCK else r)


def fixed_broken(problem: Problem) -> bool:
    """True where a requirement that no choice of lots can change is broken and forbids the batch."""
    values = ((r, r.fixed_value(problem.formula)) for r in problem.fixed if r.origin.blocks)
    return any(value is not None and not r.within(value) for r, value in values)


def _sides(requirement: Requirement) -> Iterator[tuple[str, Fraction, Fraction]]:
    """Limits that may move, each with its figure and the farthest one looked at."""
    lo, hi, middle = (limit_of(requirement, side) for side in ("lo", "hi", "both"))
    if requirement.role is Role.SIZE and middle is not None:
        yield "both", middle, middle / LEAST_ORDER
        return
    if hi is not None:
        yield "hi", hi, Fraction(PERCENT) if requirement.unit == "%" else 4 * hi
    if lo is not None and lo > 0:
        yield "lo", lo, ZERO
