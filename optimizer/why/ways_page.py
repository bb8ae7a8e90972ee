"""Where there is no batch: what cannot hold together, and every way out in a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import ceil

from constraints.ingredients import Lot
from constraints.numbers import G_PER_KG, PERCENT, shown, trimmed
from optimizer.blend import Answer
from optimizer.pages.page import doses_that_pass
from optimizer.pages.tables import heading, paragraph
from optimizer.verdict import HEADLINES, Grade
from optimizer.why.explain import Explanation
from optimizer.why.short import Money
from optimizer.why.unfinished import Part
from optimizer.why.ways_out import Concession, Kind, Way
from optimizer.words import NOT_SMALLEST, counted

_MOST_WAYS = 3


def no_batch(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    """What cannot hold together, what to buy, and which limits to move."""
    answer, out = explanation.answer, explanation.out
    assert out is not None
    if not answer.refused:
        yield f"{HEADLINES[Grade.NO_BATCH]}."
    if answer.conflict is not None:
        opened = " even with every pack opened" if _packs(answer) and not answer.conflict.packs_matter else ""
        then = ", packs opened" if opened else ""
        smallest = f"and leaving out any one of them leaves the others possible{then}"
        yield from paragraph(
            f"These cannot hold together{opened}, {smallest if answer.conflict.smallest else NOT_SMALLEST}:"
        )
        for r in answer.conflict.requirements:
            law = " (law: cannot be relaxed)" if r.origin.legal else ""
            yield from paragraph(f"{r.words()}{law}", "* ")
        yield from doses_that_pass(answer)
        if answer.conflict.packs_matter:
            yield from paragraph(
                "Only whole packs and smallest pulls stand in the way: with packs opened a batch exists."
            )
    if answer.scale_prevents:
        yield from paragraph(
            "A batch exists, but none in whole divisions of these scales. Rounding breaks: "
            + "; ".join(r.words() for r in answer.scale_prevents) + "."
        )  # fmt: skip
    yield from _ways(explanation, money, full=full)


def _packs(answer: Answer) -> bool:
    """True where whole packs or pulls are part of the problem."""
    return any(isinstance(lot, Lot) and (lot.pack_kg or lot.smallest_pull_kg) for lot in answer.problem.formula.lots)


def _ways(explanation: Explanation, money: Money, *, full: bool) -> Iterator[str]:
    out = explanation.out
    assert out is not None
    if explanation.buy:
        yield from heading("what to buy")
        for way in explanation.buy:
            yield from paragraph(way_words(way, money), "* ")
    yield from heading("or which limit of yours to move, the cheapest first")
    if not out.ways:
        none = "None: what stands in the way is law, or no single figure of yours will do."
        yield from paragraph("None was found." if explanation.left(Part.WAYS_OUT) else none)
    places = {id(way): k for k, way in enumerate(out.by_size, start=1)}
    for k, way in enumerate(out.ways if full else out.ways[:_MOST_WAYS], start=1):
        place = places.get(id(way))
        rank = (
            f" Number {place} by how far it moves, {shown(way.size * PERCENT, 1)} % of the figure."
            if place and full
            else ""
        )
        if way.kind in (Kind.DROPPED, Kind.PACKS, Kind.SCALE, Kind.CONFIDENCE):
            rank = ""
        yield from paragraph(way_words(way, money) + rank, f"{k}. ")
    if len(out.ways) > _MOST_WAYS and not full:
        yield f"{counted(len(out.ways) - _MOST_WAYS, 'more way')}: --full"
    if out.ways and any(r.cones(explanation.answer.problem.formula) for r in explanation.answer.problem.choosing):
        yield from paragraph(
            "Each was applied and solved again, before rounding to the scales: go a little farther than told, so that "
            "a batch can be weighed."
        )
    elif out.ways or explanation.buy:
        yield from paragraph(
            "Each was applied and solved again: a batch exists with each. A moved limit was also tried on the scales"
            + (
                "."
                if all(way.weighed for way in out.ways if way.concessions)
                else ", where not every one was found to be weighable."
            )
        )


def way_words(way: Way, money: Money) -> str:
    """One way out in a sentence."""
    at_most = "" if way.sure else "at most "
    cost = "" if way.cost is None else f"; the cheapest batch then costs {at_most}{money(way.cost)}"
    if way.kind in (Kind.LIMIT, Kind.LIMITS, Kind.WEIGHT):
        return "Let " + " and ".join(_concession_words(c) for c in way.concessions) + f"{cost}."
    if way.kind is Kind.DROPPED and way.dropped is not None:
        return f"Leave out: {way.dropped.words()}{cost}."
    if way.kind is Kind.STOCK:
        lot, kg = way.lots[0]
        return f"Have {trimmed(kg, 2)} kg more of {lot.name} ({trimmed(lot.properties['fat_pct'], 2)} % fat){cost}."
    if way.kind is Kind.PACKS:
        names = ", ".join(lot.name for lot, _ in way.lots)
        return f"Open packs, or pull less than the smallest pull, of {names}{cost}."
    if way.kind is Kind.PURCHASE:
        bought = ", ".join(f"{shown(Fraction(ceil(kg * 100), 100), 2)} kg of {lot.name}" for lot, kg in way.lots)
        spend = "" if way.spend is None else f" for {money(way.spend)}, the least that will do"
        return f"Buy {bought}{spend}{cost}."
    if way.kind is Kind.MATERIAL and way.fat is None:
        parts = [f"{trimmed(kg, 1)} kg of {_kind(lot)} with {trimmed(lot.properties['fat_pct'], 1)} % fat"
                 for lot, kg in way.lots]  # fmt: skip
        return f"Get together {', '.join(parts)} (other figures as in your own lots)."
    if way.kind is Kind.MATERIAL and way.fat is not None:
        kind = _kind(way.lots[0][0])
        points = ", ".join(f"{trimmed(kg, 1)} kg at {trimmed(fat, 1)} %" for fat, kg in way.points)
        low, high = shown(way.fat[0], 1), shown(way.fat[1], 1)
        return f"Get {kind} with {low} to {high} % fat, at least: {points} (its other figures as in your own lots)."
    if way.kind is Kind.CONFIDENCE and way.probability is not None:
        old, new = (f"{trimmed(p * PERCENT)} %" for p in way.probability)
        return f"Ask for a confidence of {new} instead of {old}{cost}."
    if way.kind is Kind.MEASURED:
        names = ", ".join(lot.name for lot, _ in way.lots)
        return f"Measure the fat of {names} again by the most precise bench method, if it comes out the same{cost}."
    assert way.spend is not None
    if way.kind is Kind.TOLERANCE:
        return f"Let the weight be within {trimmed(way.spend * G_PER_KG)} g of the order{cost}."
    return f"Weigh the meat to {trimmed(way.spend * G_PER_KG)} g{cost}."


def _kind(lot: Lot) -> str:
    """A kind of material in words."""
    return " ".join(filter(None, (lot.species, lot.material))) or "material"


def _concession_words(c: Concession) -> str:
    r = c.requirement
    unit = f" {r.unit}" if r.unit else ""
    if c.limit == "both":
        return f"the order be {trimmed(c.new)} kg instead of {trimmed(c.old, 3)} kg"
    word = "at least" if c.limit == "lo" else "at most"
    return f"{r.what} of the {r.basis} be {word} {trimmed(c.new)}{unit} instead of {trimmed(c.old)}{unit}"
