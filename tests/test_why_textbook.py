"""Sensitivity tables of two textbook problems, reproduced.

The statements and the tables are from memory and every figure of them is derived by hand beside its test.

- A feed mix: Taha, Operations Research: An Introduction, chapter 2 (the diet of corn and soybean meal). At least 800 lb
  a day, at least 30 % protein, at most 5 % fibre; corn 0.09 protein, 0.02 fibre, 0.30 a pound; soybean meal 0.60, 0.06,
  0.90. It is a blending problem with ratios, so it goes through the whole program.
- A product mix: Hillier and Lieberman, Introduction to Operations Research, chapters 3 and 4 (doors and windows made in
  three plants): maximise 3 x + 5 y with x <= 4, 2 y <= 12, 3 x + 2 y <= 18. Its allowable ranges are printed there.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from constraints.row import Row
from optimizer.order import Asked, order_of
from optimizer.problem import assemble
from optimizer.reading.lots import parse_lots
from optimizer.reading.recipe import parse_recipe
from optimizer.solver.optimum import settle
from optimizer.solver.program import Program, Variable
from optimizer.why.ground import Ground, family_of, ground_of
from optimizer.why.moving import Curved, Drift, Family, beside, last
from optimizer.why.prices import limit_prices
from optimizer.why.worth import Market, PriceLine, lots_priced, same_blend

LOTS = "lot,on_hand_kg,fat_pct,protein_pct,fibre,cost_per_kg\ncorn,9000,4,9,2,0.30\nsoybean,9000,3,60,6,0.90\n"
RECIPE = "{name: feed, require: [{protein: {min_pct: 30}}, {property: {name: fibre, max: 5}}]}"


def feed() -> Ground:
    """The feed mix, pounds read as kilograms."""
    recipe, table = parse_recipe(RECIPE, "recipe"), parse_lots(LOTS, "lots")
    order = order_of(recipe, "--meat-kg", Fraction(800), date(2026, 11, 25), Asked(within_kg=Fraction(1, 10**9)))
    ground = ground_of(assemble(recipe, table, order))
    assert ground is not None
    return ground


def close(value: Fraction | None, wanted: Fraction) -> bool:
    """Equal but for the tolerance on the weight, a millionth of a gram."""
    return value is not None and abs(value - wanted) < Fraction(1, 10**6)


def test_feed_mix_optimum() -> None:
    """x1 + x2 = 800 and 0.21 x1 = 0.30 x2: x1 = 470.6 lb of corn, x2 = 329.4 lb of soybean meal, 437.65 a day."""
    ground = feed()
    corn, soybean = ground.kilograms
    assert close(corn, Fraction(800 * 30, 51))
    assert close(soybean, Fraction(800 * 21, 51))
    assert close(ground.cost, Fraction(800 * 30, 51) * Fraction("0.3") + Fraction(800 * 21, 51) * Fraction("0.9"))


def test_feed_mix_prices() -> None:
    """One more pound of feed costs 437.65 / 800 = 0.547. A point of protein: soybean's share s has 9 + 51 s protein, so
    a point less is 1/51 of 800 lb that costs 0.60 less: 800 * 0.6 / 51 = 9.41. Fibre, 2 + 4 s = 3.65 %, does not bind.
    Protein may rise until fibre binds: s = 0.75, 47.25 %; and fall to corn alone, 9 %, where soybean drops out.
    """
    binding, free = limit_prices(feed())
    prices = {price.requirement.what: price for price in binding}
    weight, protein = prices["weight"].tighten, prices["protein"]
    assert weight is not None and protein.loosen is not None and protein.tighten is not None
    assert close(weight.saves, -Fraction(279, 510))  # (0.3 * 30 + 0.9 * 21) / 51
    assert close(protein.loosen.saves, Fraction(480, 51))
    assert close(protein.tighten.saves, -Fraction(480, 51))
    assert close(protein.loosen.until, Fraction(9))
    assert close(protein.tighten.until, Fraction("47.25"))
    assert [(m.requirement.what, m.value) for m in free] == [("fibre", 2 + 4 * Fraction(21, 51))]


def test_feed_mix_cost_ranges() -> None:
    """The mix stays while corn is the cheaper: corn at any price up to 0.90, soybean meal from 0.30 up.

    Above 0.90 corn keeps its place, for fibre asks for a quarter of it.
    """
    corn, soybean = sorted(lots_priced(feed()), key=lambda priced: priced.lot.name)
    assert (corn.lot.name, corn.same_from, corn.same_to) == ("corn", None, Fraction("0.9"))
    assert (soybean.lot.name, soybean.same_from, soybean.same_to) == ("soybean", Fraction("0.3"), None)
    assert corn.needed and soybean.needed
    assert close(corn.kg_then, Fraction(200))


def plants(b1: int = 4, b2: int = 12, b3: int = 18) -> Program:
    """The product mix as a minimum."""
    x = Variable("x", Fraction(-3), Fraction(0), Fraction(1000))
    y = Variable("y", Fraction(-5), Fraction(0), Fraction(1000))
    rows = [((1, 0), b1), ((0, 2), b2), ((3, 2), b3)]
    return Program((x, y), tuple(Row("", tuple(map(Fraction, a)), None, Fraction(b)) for a, b in rows))


def test_product_mix_shadow_prices_and_allowable_ranges() -> None:
    """Z = 36 at (2, 6); shadow prices 0, 3/2, 1; right sides 2 to no end, 6 to 18, 12 to 24."""
    program = plants()
    found = settle(program)
    assert found is not None
    assert found.values == (2, 6)
    assert program.cost(found.values) == -36
    table = []
    for row, start in enumerate((4, 12, 18)):
        family = Family(program, Fraction(start), (Drift(row, (Fraction(0),) * 2, hi=Fraction(1)),))
        up = beside(family, Fraction(start), 1, found.basis)
        down = beside(family, Fraction(start), -1, found.basis)
        assert up is not None and down is not None
        assert up.slope_at(Fraction(start)) == down.slope_at(Fraction(start))
        table.append((-up.slope_at(Fraction(start)), down.lo, up.hi))
    assert table == [(0, 2, None), (Fraction(3, 2), 6, 18), (1, 12, 24)]


def test_product_mix_allowable_profits() -> None:
    """Profit of a door 0 to 7.5, of a window 2 to no end."""
    program = plants()
    found = settle(program)
    assert found is not None
    ends = []
    for j in (0, 1):
        market = Market(Curved(program, ()), j, carried=Fraction(-100))
        amount = found.values[j]
        low, high = same_blend(market, PriceLine(-36 - program.variables[j].cost * amount, amount))
        ends.append((None if high is None else -high, None if low is None else -low))
    assert ends == [(0, Fraction(15, 2)), (2, None)]


def test_last_feasible_figure_of_a_ratio() -> None:
    """Fibre allows at most 75 % of soybean meal, so protein of at most 47.25 %."""
    ground = feed()
    protein = next(r for r in ground.problem.requirements if r.what == "protein")
    family = family_of(ground, protein, "lo")
    assert family is not None
    assert last(family, 1) == Fraction("47.25")
