"""Confidence: the law of propagation, the exact check, Monte Carlo, the table of methods and bad input."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from kitchens import Kitchen
from matrices import Columns, limits
from scipy.stats import norm
from uncertain import factors, raw_sd, uncertain_kitchen, z_of

from constraints.as_typed import BadInput
from constraints.confidence import (
    Confidence,
    FatMethod,
    Read,
    UnknownMethod,
    best_bench,
    fat_error,
    lot_faults,
    method_named,
    published,
    quantile_up,
)
from constraints.document import parse, validate
from constraints.formula import Batch, Formula
from constraints.quantities import Kind, Lot, MissingProperty, Process
from constraints.requirement import Origin, Requirement, confident
from constraints.row import Cone
from constraints.rules import KINDS, OneRequirement
from optimizer.solver.cone import optimise_with_cuts
from optimizer.solver.optimum import ranks_of
from optimizer.solver.program import layout_of

F = Fraction


def sure(probability: Fraction, shared: bool = False, **more: Any) -> Confidence:
    return Confidence(probability=probability, shared_by_method=shared, **more)


NINETY_FIVE = sure(F("0.95"))
TOGETHER = sure(F("0.95"), True)
OWN = Origin("test", "test")


def lot(name: str, fat: str, *, sd: str | None = None, method: str = "", **more: Any) -> Lot:
    properties = {"fat_pct": F(fat), "moisture_pct": F(60), "protein_pct": F(15), "salt_pct": F(0)}
    properties["collagen_pct"] = F(2)
    return Lot(
        name=name, kind=Kind.LOT, properties=properties, species="pork", role="meat", material="shoulder",
        on_hand_kg=F(100), held_cost_per_kg=F(1), fat_sd=None if sd is None else F(sd), fat_method=method, **more,
    )  # fmt: skip


def built(text: str) -> Requirement:
    return validate(parse(text, "requirement"), OneRequirement).build(OWN)


def formula_of(*lots: Lot) -> Formula:
    return Formula(lots, (), Process(F("0.9"), F("0.02"), declared=True))


def held(text: str, confidence: Confidence, *lots: Lot) -> Requirement:
    found = confident(built(text), confidence, formula_of(*lots))
    assert found.confidence == confidence
    return found


def probability(requirement: Requirement, batch: Batch, side: str) -> float | None:
    """How likely the limit on one side is met; None where no row on that side depends on measured fat."""
    return min((found for cone, found in requirement.likelihoods(batch) if cone.side == side), default=None)


def test_variance_of_a_weighted_sum_by_the_law_of_propagation() -> None:
    # JCGM 100:2008, 5.1.2, equation (10): u_c^2 = sum (df/dx_i)^2 u^2(x_i). For mean fat f = sum w_i x_i / sum w_i of
    # 10, 20 and 30 kg with u = 0.3, 0.6, 1.5 points: u_c = sqrt(3^2 + 12^2 + 45^2) / 60 = sqrt(2178) / 60 = 0.7778.
    lots = lot("a", "10", sd="0.3"), lot("b", "20", sd="0.6"), lot("c", "40", sd="1.5")
    limit = held("fat: {max_pct: 30}", NINETY_FIVE, *lots)
    (cone,) = limit.cones(formula_of(*lots))
    assert cone.variance((F(10), F(20), F(30))) == 9 + 144 + 2025
    # mean fat (100 + 400 + 1200) / 60 = 28.33 %; probability that it is at most 30 %: Phi(2.14275) = 0.983933
    batch = Batch(dict(zip(lots, (F(10), F(20), F(30)), strict=True)), Process())
    assert probability(limit, batch, "hi") == pytest.approx(0.983933, abs=1e-6)
    assert probability(limit, batch, "lo") is None


def test_lots_of_one_method_add_up_before_they_are_squared() -> None:
    # JCGM 100:2008, 5.2.2: with all correlations 1 the standard uncertainty is the linear sum of the terms.
    lots = (
        lot("a", "10", sd="0.3", method="nir_belt"), lot("b", "20", sd="0.6", method="nir_belt"),
        lot("c", "40", sd="1.5", method="density"), lot("d", "30", sd="1"),
    )  # fmt: skip
    kilograms = F(10), F(20), F(30), F(7)
    (apart,) = held("fat: {max_pct: 30}", NINETY_FIVE, *lots).cones(formula_of(*lots))
    (together,) = held("fat: {max_pct: 30}", TOGETHER, *lots).cones(formula_of(*lots))
    assert apart.variance(kilograms) == 3**2 + 12**2 + 45**2 + 7**2
    assert together.variance(kilograms) == (3 + 12) ** 2 + 45**2 + 7**2


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("fat: {basis: finished, max_pct: 25}", lambda fat: (fat - 2) / 0.9),
        ("lean_to_fat: {min: 3}", lambda fat: (100 - fat) / fat),
        ("lean_to_fat: {max: 4}", lambda fat: (100 - fat) / fat),
        ("fat_free_flesh: {basis: batch, min_pct: 70}", lambda fat: 100 - fat),
        ("fat_to_flesh: {max_pct: 40}", lambda fat: 100 * fat / (100 - fat)),
    ],
)
def test_the_probability_of_a_ratio_is_that_of_its_fat(text: str, ratio: Callable[[float], float]) -> None:
    """Any ratio monotone in mean fat is kept exactly where mean fat is on one side of a threshold."""
    lots = lot("a", "15", sd="2"), lot("b", "27", sd="1")
    requirement = held(text, NINETY_FIVE, *lots)
    batch = Batch({lots[0]: F(30), lots[1]: F(20)}, Process(F("0.9"), F("0.02"), declared=True))
    limit = float(requirement.hi if requirement.hi is not None else requirement.lo or 0)
    low, high = 1.0, 99.0
    rising = ratio(50) > ratio(20)
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (middle, high) if (ratio(middle) < limit) == rising else (low, middle)
    deviation = math.sqrt((30 * 2) ** 2 + (20 * 1) ** 2) / 50
    below = norm.cdf((low - (30 * 15 + 20 * 27) / 50) / deviation)
    side = "hi" if requirement.hi is not None else "lo"
    wanted = below if rising == (side == "hi") else 1 - below
    assert probability(requirement, batch, side) == pytest.approx(wanted, abs=1e-9)


def test_only_what_depends_on_fat_is_held_with_confidence() -> None:
    lots = lot("a", "15", sd="2"), lot("b", "27", sd="1")
    formula = formula_of(*lots)
    plain = "salt: {max_pct: 2}", "protein: {min_pct: 1}", "share: {lot: a, max_pct: 50}", "meat_to_fat: {min: 1}"
    for text in (*plain, "property: {name: moisture_pct, max: 70}", "ingoing_nitrite: {max_ppm: 156}"):
        requirement = built(text)
        assert confident(requirement, NINETY_FIVE, formula) is requirement, text
    fat = (
        "fat: {max_pct: 30}", "lean_to_fat: {min: 2}", "fat_free_flesh: {min_pct: 50}",
        "fat_plus_added_water: {max_pct: 40, moisture_per_protein: 4}", "property: {name: fat_pct, max: 30}",
        "meat_content: {min_pct: 60, tissue_per_collagen: 5, limits: [{species: [pig], fat_pct: 30,"
        " collagen_of_protein_pct: 25}]}",
    )  # fmt: skip
    for text in fat:
        requirement = confident(built(text), NINETY_FIVE, formula)
        assert requirement.confidence is not None, text
        assert requirement.rows(formula) == built(text).rows(formula)
        assert requirement.cones(formula)
        assert confident(requirement, TOGETHER, formula).cones(formula)


def test_every_kind_is_linear_in_the_fat_of_a_lot() -> None:
    """The law of propagation is exact only then: two points of fat change each row twice as much as one."""
    texts = {
        "fat": "{max_pct: 30}", "lean_to_fat": "{min: 1, max: 9}",
        "fat_free_flesh": "{min_pct: 50}", "fat_to_flesh": "{max_pct: 40}",
        "fat_plus_added_water": "{max_pct: 40, moisture_per_protein: 4}",
        "added_water": "{max_pct: 10, moisture_per_protein: 4}",
        "meat_content": "{min_pct: 60, tissue_per_collagen: 5, limits: [{species: [pig], fat_pct: 30,"
        " collagen_of_protein_pct: 25}]}",
    }  # fmt: skip
    assert set(texts) <= set(KINDS)
    for kind, text in texts.items():
        rows = [built(f"{kind}: {text}").rows(formula_of(lot("a", str(fat)), lot("b", "50"))) for fat in (20, 21, 40)]
        for once, more, most in zip(*rows, strict=True):
            assert most.coefs[0] - once.coefs[0] == 20 * (more.coefs[0] - once.coefs[0]), kind
            assert most.coefs[1] == more.coefs[1] == once.coefs[1], kind


def test_the_quantile_is_rounded_up() -> None:
    for text in ("0.5000001", "0.6", "0.75", "0.9", "0.95", "0.975", "0.99", "0.999", "0.999999", "0.999999999999"):
        z, true = quantile_up(F(text)), float(norm.isf(float(1 - F(text))))
        assert 10**6 % z.denominator == 0
        assert true <= float(z) <= true + 1.002e-6
    assert quantile_up(F("0.95")) == F("1.644854")
    assert quantile_up(F("0.975")) == F("1.959964")


@pytest.mark.parametrize("text", ["0.5", "0.2", "0", "1", "1.5", "-0.9"])
def test_a_probability_outside_its_range_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"above 0\.5 and below 1"):
        sure(F(text))
    with pytest.raises(BadInput) as caught:
        validate(parse(f"shared_by_method: no\nprobability: {text}\n", "recipe.yaml"), Confidence)
    assert "above 0.5 and below 1" in str(caught.value)


def test_the_check_is_exact_at_the_boundary() -> None:
    # errors 3 and 4 make 5 together; with z = 2 the row needs a margin of exactly 10
    cone = Cone("row", (F(-1), F(0)), F(0), F(2), (((1, F(3)),), ((1, F(4)),)))
    sliver = F(1, 10**40)
    assert cone.holds((F(10), F(1)))
    assert cone.holds((F(10) + sliver, F(1)))
    assert not cone.holds((F(10) - sliver, F(1)))
    assert not cone.holds((F(-10), F(1)))
    assert float(10 - sliver) == 10.0


def test_measure_agrees_with_floating_point_away_from_the_boundary() -> None:
    rng = np.random.default_rng(1)
    lots = [lot(f"l{i}", str(5 * i + 8), sd=str(i + 1)) for i in range(4)]
    requirement = held("fat: {min_pct: 14, max_pct: 22}", NINETY_FIVE, *lots)
    seen = set()
    for _ in range(400):
        weights = [F(int(n), 20) for n in rng.integers(1, 400, 4)]
        batch = Batch(dict(zip(lots, weights, strict=True)), Process())
        kg = np.array([float(w) for w in weights])
        mean = kg @ [8, 13, 18, 23] / kg.sum()
        deviation = np.linalg.norm(kg * [1, 2, 3, 4]) / kg.sum()
        room = min(mean - 14, 22 - mean) - z_of(0.95) * deviation
        verdict = requirement.measure(batch)
        if abs(room) > 1e-9:
            assert verdict.ok == (room > 0)
        assert verdict.requirement is requirement
        assert verdict.value == built("fat: {max_pct: 22}").measure(batch).value
        if not verdict.ok and 14 <= mean <= 22:
            assert verdict.why == "met on paper, but not with 95 % confidence"
        seen.add((verdict.ok, 14 <= mean <= 22))
    assert seen == {(True, True), (False, True), (False, False)}


def test_a_load_is_judged_like_the_batch_it_is_a_part_of() -> None:
    lots = lot("a", "15", sd="2"), lot("b", "27", sd="1")
    requirement = held("fat: {max_pct: 22}", NINETY_FIVE, *lots)
    for kilograms in ((F(40), F(12)), (F(20), F(29))):
        whole = Batch(dict(zip(lots, kilograms, strict=True)), Process())
        third = Batch({lot: kg / 3 for lot, kg in whole.kilograms.items()}, Process())
        assert requirement.measure(third).ok == requirement.measure(whole).ok
        assert requirement.likelihoods(third)[0][1] == pytest.approx(requirement.likelihoods(whole)[0][1], abs=1e-12)


def test_words_say_the_confidence() -> None:
    lots = lot("a", "15", sd="2"), lot("b", "27", sd="1")
    assert held("fat: {max_pct: 22}", NINETY_FIVE, *lots).words() == (
        "fat of the meat block at most 22 %, with 95 % confidence"
    )
    both = held("fat: {min_pct: 20, max_pct: 22.5}", sure(F("0.975")), *lots)
    assert both.words() == "fat of the meat block between 20 and 22.5 %, each with 97.5 % confidence"


def test_a_figure_that_is_the_same_for_every_lot_still_depends_on_their_errors() -> None:
    lots = lot("a", "20", sd="2"), lot("b", "20", sd="1")
    requirement = held("fat: {max_pct: 22}", NINETY_FIVE, *lots)
    assert built("fat: {max_pct: 22}").fixed_value(formula_of(*lots)) == 20
    assert requirement.fixed_value(formula_of(*lots)) is None
    sure = lot("a", "20", sd="0"), lot("b", "20", sd="0")
    assert held("fat: {max_pct: 22}", NINETY_FIVE, *sure).fixed_value(formula_of(*sure)) == 20


DRAWS = 1_000_000


@pytest.mark.parametrize(
    ("seed", "shared", "p"), [(2, False, "0.95"), (12, True, "0.9"), (48, False, "0.99"), (40, True, "0.8")]
)
def test_the_stated_probability_against_a_million_draws(seed: int, shared: bool, p: str) -> None:
    """Every limit is met at least as often as asked, as often as said, and as often as asked where it binds."""
    kitchen = uncertain_kitchen(seed, 10)
    problem = kitchen.problem()
    wanted = [confident(r, sure(F(p), shared), problem.formula) for r in problem.choosing]
    layout = layout_of(problem)
    found = optimise_with_cuts(layout, wanted, problem.formula, ranks_of(problem.formula.columns))
    assert found.price
    batch = problem.formula.exact_batch(layout.kilograms(found.optimum.values))
    items = {item.name: float(kg) for item, kg in batch.kilograms.items()}
    bound = 0
    for side, drawn, limit, said in drawn_ratios(kitchen, items, wanted, batch, shared=shared):
        met = (drawn <= limit if side == "hi" else drawn >= limit).mean()
        error = math.sqrt(max(met * (1 - met), 1e-9) / DRAWS)
        assert met >= float(p) - 5 * error
        assert met == pytest.approx(said, abs=5 * error + 1e-6)
        if said < float(p) + 1e-5:
            bound += 1
            assert met == pytest.approx(float(p), abs=5 * error + 1e-6)
    assert bound


def drawn_ratios(
    kitchen: Kitchen, items: dict[str, float], wanted: list[Requirement], batch: Batch, *, shared: bool
) -> list[tuple[str, np.ndarray, float, float]]:
    """Side, drawn figures, limit and stated probability of each limit on fat, from the raw figures."""
    columns = Columns(kitchen)
    names = [item.get("lot", item.get("name")) for item in columns.items]
    x = np.array([items.get(name, 0.0) for name in names])
    source = factors(kitchen, shared=shared) @ x
    rng = np.random.default_rng(20261125)
    moved = sum(rng.standard_normal(DRAWS) * part for part in source if part)
    own = [r for r in wanted if r.confidence is not None and r.origin.source.startswith("your recipe, line")]
    entries = [entry for entry in kitchen.require if "fat" in entry or "lean_to_fat" in entry]
    assert len(own) == len(entries)
    found = []
    for entry, requirement in zip(entries, own, strict=True):
        over, under = (row @ x for row in columns.ratio(entry))
        ratio = (over - moved) / (under + moved) if "lean_to_fat" in entry else (over + moved) / under
        for side, limit in zip(("lo", "hi"), limits(entry), strict=True):
            if np.isfinite(limit):
                said = probability(requirement, batch, side)
                assert said is not None
                found.append((side, ratio, limit, said))
    return found


def test_published_figures_as_printed() -> None:
    """Figures from the sources named beside each; read as in the table's own status column."""
    # Pettinati and Swift, JAOAC 60(3) 1977 600-608: 0.3 up to 27 % fat, 0.7 at 48 %; between laboratories 0.6
    one_lab = published()["wet_chemistry_one_lab"]
    assert [one_lab.sd(F(fat)) for fat in ("3.4", "27", "37.5", "48", "85")] == [
        F("0.3"), F("0.3"), F("0.5"), F("0.7"), F("0.7"),
    ]  # fmt: skip
    assert published()["wet_chemistry_between_labs"].sd(F(20)) == F("0.6")
    # Croon and Wallin: repeatability 0.93 % of 44.5 is 0.41, 4.5 % of 2.5 is 0.11
    acid = published()["acid_hydrolysis_one_lab"]
    assert [acid.sd(F("44.5")), acid.sd(F("2.5"))] == [F("0.41"), F("0.11")]
    assert float(acid.sd(F("44.5"))) == pytest.approx(0.0093 * 44.5, abs=0.005)
    # Anderson 2007: 0.22-2.67 % of the figure
    assert published()["nir_bench"].sd(F(30)) == F("0.801")
    # Isaksson 1996: 0.73-1.50; Toegersen 2003: 0.48-1.11; belt 2004: 1.6-2.4
    for name, points in (("nir_at_grinder_sample", "1.5"), ("nir_at_grinder_batch", "1.11"), ("nir_belt", "2.4")):
        assert published()[name].sd(F(20)) == F(points)
        assert published()[name].status is Read.SEEN
    for name in ("lean_estimate_by_eye", "nominal_grade", "nir_bench_between_labs"):
        assert published()[name].status is Read.MEMORY
    assert one_lab.studied_pct is not None and (one_lab.studied_pct.min, one_lab.studied_pct.max) == (F("3.4"), 48)


def test_a_method_of_many_points_is_straight_between_them_and_level_beyond_as_numpy_has_it() -> None:
    knots = [(5, 0.2), (20, 0.5), (40, 0.4), (60, 1.5)]
    own = FatMethod(name="own", at=[{"fat_pct": fat, "points": str(sd)} for fat, sd in knots])
    for fat in range(0, 101):
        assert float(own.sd(F(fat))) == pytest.approx(np.interp(fat, *zip(*knots, strict=True)))


def test_every_method_has_a_source_and_a_figure_for_any_fat() -> None:
    for name, method in published().items():
        assert method.name == name == name.lower()
        assert method.title and method.source and method.status is not Read.YOURS
        for fat in (0, 1, 25, 60, 100):
            assert method.sd(F(fat)) >= 0
    for fat in (5, 20, 45, 85):
        best = best_bench(F(fat))
        assert best.bench and best.status is not Read.MEMORY
        assert best.sd(F(fat)) == min(m.sd(F(fat)) for m in published().values() if m.bench and m.status != "memory")


def test_a_lot_s_own_figure_stands_before_its_method_s() -> None:
    stated, measured = lot("a", "20", sd="1.25"), lot("a", "20", method="nir_belt")
    for item, sd in ((stated, "1.25"), (lot("a", "20", sd="1.25", method="nir_belt"), "1.25"), (measured, "2.4")):
        assert fat_error(item, None).sd == F(sd)  # type: ignore[union-attr]
    assert fat_error(lot("a", "20"), None) is None
    assert fat_error(lot("a", "20"), sure(F("0.9"), usual_method="nir_belt")).sd == F("2.4")  # type: ignore[union-attr]
    mine = FatMethod(name="our_meter", points=F("0.9"))
    assert sure(F("0.9"), methods=(mine,)).finding(lot("a", "20", method="our_meter")).sd == F("0.9")


def test_an_unknown_method_names_the_nearest() -> None:
    with pytest.raises(UnknownMethod) as caught:
        fat_error(lot("a", "20", method="nir_bett"), None)
    assert "nir_bett" in str(caught.value)
    assert caught.value.hint == "did you mean nir_belt?"
    with pytest.raises(UnknownMethod):
        fat_error(lot("a", "20", sd="1", method="nir_bett"), None)
    with pytest.raises(UnknownMethod) as far:
        method_named("moonlight")
    assert far.value.hint.startswith("known: ")
    with pytest.raises(BadInput) as bad:
        validate(parse("probability: 0.95\nusual_method: wet_chemistry_one_leb\n", "r.yaml"), Confidence)
    assert "did you mean wet_chemistry_one_lab?" in str(bad.value)


def test_lots_whose_error_is_not_known_are_all_named() -> None:
    lots = (
        lot("fine", "20", sd="1", line=2), lot("bare", "20", line=3), lot("below", "20", sd="-1", line=4),
        lot("typo", "20", method="desnity", line=5),
    )  # fmt: skip
    faults = list(lot_faults("lots.csv", lots, NINETY_FIVE))
    assert [(fault.line, fault.column) for fault in faults] == [(3, "fat_method"), (4, "fat_sd_pct"), (5, "fat_method")]
    words = [str(fault) for fault in faults]
    assert "'bare' states neither fat_sd_pct nor fat_method" in words[0]
    assert "below zero" in words[1]
    assert "did you mean density?" in words[2]
    assert [fault.line for fault in lot_faults("f", lots[:2], sure(F("0.9"), usual_method="nir_belt"))] == []


def test_no_cone_is_made_of_a_lot_whose_error_is_not_known() -> None:
    lots = lot("fine", "20", sd="1"), lot("bare", "30")
    requirement = held("fat: {max_pct: 22}", NINETY_FIVE, *lots)
    with pytest.raises(MissingProperty):
        requirement.cones(formula_of(*lots))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{name: m, points: 1, relative_pct: 2}", "exactly one of"),
        ("{name: m}", "exactly one of"),
        ("{name: m, points: -1}", "points"),
        ("{name: m, at: [{fat_pct: 30, points: 1}, {fat_pct: 20, points: 2}]}", "upwards"),
        ("{name: m, pionts: 1}", "points"),
    ],
)
def test_a_method_of_one_s_own_is_checked(text: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        validate(parse(f"probability: 0.9\nmethods: [{text}]\n", "r.yaml"), Confidence)
    assert said in str(caught.value)


def test_raw_figures_of_the_oracle_are_the_table_s() -> None:
    kitchen = uncertain_kitchen(1, 30)
    by_name = {item.name: item for item in kitchen.problem().formula.lots}
    for raw in kitchen.lots:
        item = by_name[raw["lot"]]
        assert isinstance(item, Lot)
        found = fat_error(item, None)
        assert found is not None and float(found.sd) == pytest.approx(raw_sd(raw), abs=1e-12)
