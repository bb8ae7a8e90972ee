"""How prices and ways out are said: in a few lines below a blend, and where there is no batch; money and units."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from fractions import Fraction

from constraints.as_typed import G_PER_KG, PERCENT, joined, shown, trimmed
from constraints.quantities import FAT, Lot
from constraints.requirement import Requirement, Role
from optimizer.answer import Answer
from optimizer.clock import OutOfTime
from optimizer.late import late
from optimizer.pages.batch_page import Price, doses_that_pass
from optimizer.pages.tables import heading, listed, paragraph
from optimizer.problem import Problem
from optimizer.remarks import cause
from optimizer.solver.program import SolverDisagrees
from optimizer.verdict import HEADLINES, Grade
from optimizer.why.ground import Ground, NotSettled, Section, ground_of, limit_of
from optimizer.why.prices import dearest
from optimizer.why.way import TOLD, Concession, Way, WayKind
from optimizer.why.worth import PricedLot, nearest_unused
from optimizer.wording import NOT_SMALLEST, WOULD_DO

with late():  # only who has no batch pays for it
    from optimizer.why import ways as finding

_FINE = Fraction(1, 100)
LAW = " (law: cannot be relaxed)"


class MoneyWords:
    """Money, prices and weights in words: in the unit of the kitchen, and with more decimals where two show nothing."""

    def __init__(self, problem: Problem) -> None:
        self.currency, self.unit = problem.money, problem.unit

    def __call__(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Money with its currency."""
        return f"{self.bare(value, beside)}{self.currency}"

    def bare(self, value: Fraction, beside: Fraction | None = None) -> str:
        """Without the currency; with more decimals where two would look the same as another price beside it."""
        places = 2 if abs(value) >= _FINE or not value else 4
        if beside is not None and value != beside and shown(value, places) == shown(beside, places):
            places = 4
        return shown(value, places)

    def price(self, per_kg: Fraction, beside: Fraction | None = None) -> str:
        """A price of a kilogram as one of the kitchen's unit, without the currency."""
        return self.bare(per_kg * self.unit.kg, None if beside is None else beside * self.unit.kg)

    def weight(self, kilograms: Fraction) -> str:
        """A weight with its unit."""
        return f"{self.unit.figure(kilograms, 2)} {self.unit.name}"

    def unit_of(self, requirement: Requirement) -> tuple[str, Fraction]:
        """What one unit of a requirement's limit is called, and how much of its own unit that is."""
        tenth, one = Fraction(1, 10), Fraction(1)
        weight = {"kg": "kilogram", "lb": "pound"}[self.unit.name], self.unit.kg
        known = {"%": ("point", one), "kg/kg": ("0.1 kg/kg", tenth), "": ("0.1", tenth), "kg": weight}
        return known.get(requirement.unit, (requirement.unit, one))


def named_limit(requirement: Requirement, money: MoneyWords) -> str:
    """A limit with its figure; the order by its size."""
    size = limit_of(requirement, "both") if requirement.role is Role.SIZE else None
    if size is not None:
        return f"size of the order, {money.weight(size)} of {requirement.basis}"
    return f"{requirement.what} of the {requirement.basis}, {requirement.limits()}"


def unused_words(lot: PricedLot, money: MoneyWords) -> str:
    """An unused lot: the price at which it enters, and how much of it would be used then."""
    name, kg = f"{lot.lot.name}, at {money.price(lot.price)} a {money.unit.name}", money.weight(lot.kg_then)
    if lot.stays_to is None:
        return f"{name}: would not be used even for nothing"
    if lot.stays_to == lot.price:
        return f"{name}: costs the same as a lot in use; any lower price brings in {kg}"
    if shown(lot.stays_to, 2) == shown(lot.price, 2):
        return f"{name}: costs all but the same as what is used; a little cheaper brings in {kg}"
    return f"{name}: comes in below {money.price(lot.stays_to, lot.price)}{money.currency}, with {kg}"


def short_form(answer: Answer) -> list[Price]:
    """Its dearest limit, and the nearest lot not used, for the page of a blend; without what time did not allow.

    Where there is no batch, the things that would do.
    """
    if answer.grade is Grade.NO_BATCH and (answer.conflict is not None or answer.scale_prevents):
        return [(None, words) for words in told(answer.problem, finding.ways_for(answer, []))]
    if answer.optimum is None or not answer.optimum.values or answer.weighed is None:
        return []
    lines: list[Price] = []
    with suppress(OutOfTime, SolverDisagrees):
        ground = ground_of(answer.problem, answer.optimum.values, answer.optimum.basis, answer.kept)
        lines.extend(() if ground is None else _short(answer, ground))
    return lines


def _short(answer: Answer, ground: Ground) -> Iterator[Price]:
    money = MoneyWords(answer.problem)
    found = dearest(ground)
    if found is not None:
        r, way, saves = found
        unit, per = money.unit_of(r)
        saved = f"one {unit} {'more' if way > 0 else 'less'} would save {money(saves * per)}"
        yield r, f"at its limit: {named_limit(r, money)}; {saved}"
    near = nearest_unused(ground) if not ground.whole and not ground.cones else None
    if near is not None:
        yield None, f"nearest lot not used: {unused_words(near, money)}"


# No batch.


def no_batch(answer: Answer, ways: Sequence[Way], unfinished: Sequence[NotSettled], *, full: bool) -> Iterator[str]:
    """The cause, the three cheapest ways out; ``full`` adds what cannot hold together and every other way."""
    if not answer.grade.forbids:
        yield from paragraph(f"{HEADLINES[Grade.NO_BATCH]}. {cause(answer)}")
    yield from doses_that_pass(answer)
    if full and answer.conflict is not None:
        smallest = "" if answer.conflict.smallest else f" ({NOT_SMALLEST})"
        yield from heading(f"what cannot hold together{smallest}")
        yield from listed(("* ", f"{r.words()}{LAW if r.origin.legal else ''}") for r in answer.conflict_of)
    words = told(answer.problem, ways)
    yield from heading(WOULD_DO)
    if not words:
        none = "Nothing that was tried: what stands in the way is law, or no single figure of yours will do."
        stopped = any(left.part is Section.WAYS_OUT for left in unfinished)
        yield from paragraph("None was found in the time there was." if stopped else none)
    yield from listed((f"{k}. ", text) for k, text in enumerate(words, start=1))
    if words:
        ground = any(isinstance(lot, Lot) and lot.parts for lot in answer.problem.formula.lots)
        first = None if ground else next((way for way in _best(ways) if way.typed), None)
        done = "Each was blended to the end." if _best(ways)[0].weighed else "Each was solved; none was weighed out."
        yield from paragraph(done + ("" if first is None else f" Try one: --set {' --set '.join(first.typed)}"))
    others = [way for way in ways if way not in _best(ways)] if full else []
    yield from heading("would do too, if it can be weighed") if others else ()
    yield from listed(("* ", way_words(answer.problem, way)) for way in others)


def told(problem: Problem, ways: Sequence[Way]) -> list[str]:
    """The ways that can be weighed, at most three; where none can, those that were solved."""
    return [way_words(problem, way) for way in _best(ways)]


def _best(ways: Sequence[Way]) -> list[Way]:
    return [way for way in ways if way.weighed][:TOLD] or [*ways[:TOLD]]


def way_words(problem: Problem, way: Way) -> str:
    """One way out in a sentence."""
    money = MoneyWords(problem)
    at_most = "" if way.sure else "at most "
    then = ""
    if way.cost is not None and way.cost_per_kg is not None:
        each = f"{money.price(way.cost_per_kg)} a {money.unit.name} of {problem.order.basis.words}"
        then = f": the batch then costs {at_most}{money(way.cost)}, {each}"
    spend = "" if way.spend is None else f" for {money(way.spend)}"
    names = joined([lot.name for lot, _ in way.lots])
    bought = joined([f"{problem.unit.said(kg, 2)} of {lot.name}" for lot, kg in way.lots])
    more = joined([f"{problem.unit.said(kg, 2)} more like {lot.name} ({_kind(lot)})" for lot, kg in way.lots])
    grams = trimmed((way.figure or Fraction(0)) * G_PER_KG)
    old, new = (f"{trimmed(p * PERCENT)} %" for p in way.probability or (Fraction(0),) * 2)
    moved = " and ".join(_concession_words(problem, c) for c in way.concessions)
    said = {
        WayKind.DROPPED: f"leave out: {way.dropped.words()}" if way.dropped is not None else "",
        WayKind.STOCK: f"get {more}{spend}",
        WayKind.USE_UP: f"do not use up {names}",
        WayKind.PACKS: f"open packs, or pull less than the smallest pull, of {names}",
        WayKind.PURCHASE: f"buy {bought}{spend}",
        WayKind.SCALE: f"weigh the meat to {grams} g",
        WayKind.TOLERANCE: f"let the weight be within {grams} g of the order",
        WayKind.CONFIDENCE: f"ask for a confidence of {new} instead of {old}",
        WayKind.MEASURED: f"measure the fat of {names} by the most precise bench method, if it comes out the same",
    }.get(way.kind, moved)
    return f"{said}{then}."


def _kind(lot: Lot) -> str:
    """A kind of material in words."""
    kind = " ".join(filter(None, (lot.species, lot.material))) or "material"
    return f"{kind}, {trimmed(lot.properties[FAT], 1)} % fat"


def _concession_words(problem: Problem, c: Concession) -> str:
    r = c.requirement
    unit = f" {r.unit}" if r.unit else ""
    if c.limit == "both":
        return f"make {problem.unit.said(c.new, 2)} instead of {problem.unit.said(c.old)}"
    word = "at least" if c.limit == "lo" else "at most"
    return f"allow {r.what} of the {r.basis} of {word} {trimmed(c.new)}{unit} instead of {trimmed(c.old)}{unit}"
