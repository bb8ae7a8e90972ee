"""What the reader must be told beside the figures: warnings, what was assumed, and why no batch exists."""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import product
from math import ceil, floor

from constraints.as_typed import G_PER_KG, PERCENT, ZERO, Fault, joined, shown, trimmed
from constraints.formula import Batch, Formula
from constraints.ingoing import COARSE_DIVISION
from constraints.library import brought

from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Amount, Basis, FromFat, Ingredient  # isort: skip
from constraints.quantities import Kind, Lot, Process, estimated, estimates, lines_of  # isort: skip
from constraints.requirement import Provenance, Requirement, Role
from constraints.rules import Pack
from constraints.words import plant_wording
from optimizer.answer import Answer, Status
from optimizer.as_weighed import OFF_DOSE
from optimizer.bench import Conflict, Reach
from optimizer.problem import Problem
from optimizer.reading.recipe import Recipe
from optimizer.reading.recipe_checks import NO_SOURCE, NOT_A_PLANT, SALT_PCT, contains
from optimizer.summary import casing_need, composition
from optimizer.verdict import Grade, VerdictPart
from optimizer.weighing.rounding import Weighed
from optimizer.wording import counted

_TENTH = Fraction(1, 10)
_WORTH_A_WORD = Fraction(1, 1000)
"""Share of the cost above which the price of tidy pulls and remnants is said."""


def warnings(answer: Answer) -> list[str]:
    """Everything that does not forbid the batch and still wants attention, most serious first."""
    problem, weighed = answer.problem, answer.weighed
    suspicious = [
        f"{lot.name}, which the blend uses, is suspicious: {'; '.join(lot.suspicions)}."
        for lot in answer.lots if lot.suspicions
    ]  # fmt: skip
    met = [check.requirement for check in answer.checks if check.ok]
    return [
        *_soft_failures(answer), *(_coarse_cure_scale(weighed) if weighed else ()),
        *(_coarse_doses(problem.formula, weighed) if weighed else ()), *suspicious,
        *on_estimates(answer.batch if weighed else problem.formula.lots, problem.recipe.process, met),
        *map(in_words, problem.recipe.warnings), *(_implausible(problem, weighed.total) if weighed else ()),
        *_no_law(problem),
    ]  # fmt: skip


def classes_of(problem: Problem) -> list[tuple[Pack, str | None]]:
    """The recipe's rule packs, each with the class that the product is of under it."""
    stated = problem.recipe.stated
    return [(pack, stated.class_for(name, pack)) for name, pack in zip(stated.names, problem.packs, strict=False)]


def verdict_of(answer: Answer, grade: Grade | None = None) -> VerdictPart:
    """The verdict on a batch with its checks and warnings counted; of another ``grade`` where it is judged so."""
    return VerdictPart.of(grade or answer.grade, answer.checks, len(warnings(answer)))


def lot_notes(answer: Answer) -> list[str]:
    """What the lots bring that the recipe does not say, nitrite without a cure and rework; and what it confirms."""
    said, cured = [], cured_lots(answer)
    if cured and not answer.problem.recipe.cured:
        said.append(f"The recipe adds no cure, yet these lots bring nitrite or nitrate: {', '.join(cured)}.")
    rework = [lot.name for lot in answer.lots if lot.rework]
    if rework:
        said.append(
            f"Rework in the batch: {', '.join(rework)}. Doses per kilogram of meat are reckoned on the fresh meat "
            "alone; salt and nitrite of the rework are counted."
        )
    return [*said, *_confirmed(answer.problem)]


def uncured(answer: Answer) -> str:
    """That no cure goes in, where that is so."""
    cured = answer.problem.recipe.cured or any(lot.cured or brought([lot]) for lot in answer.lots)
    return "" if cured else "Uncured: no nitrite or nitrate is added."


def heed(answer: Answer) -> list[str]:
    """What a maker must know at once though nothing is wrong: what is confirmed, not judged, or contained."""
    problem = answer.problem
    items = [addition.item for addition in problem.recipe.additions]
    free = ", ".join(i.name for i in items if not i.cost_per_kg and i.kind is not Kind.WATER)
    unpriced = [f"No price is stated for {free}: counted as 0."] if free else []
    return [*lot_notes(answer), *_plants(problem), *not_judged(problem), *unpriced, *known_to_contain(problem.recipe)]


def known_to_contain(recipe: Recipe) -> list[str]:
    """The allergens that a recipe states, where it states any; never what it is without."""
    held = dict.fromkeys(name for item in recipe.entry.additions for name in contains(item))
    listed = f"Known to contain, by what the recipe states: {', '.join(held)}. It may hold others."
    return [listed] if held else []


def tidiness(answer: Answer) -> str:
    """The least pull and remnant that a batch keeps or has given up, and what they cost where that is worth a word."""
    tidy, kept = answer.problem.order.tidy, answer.kept
    if tidy is None or answer.weighed is None:
        return ""
    said, off = [], []
    for what, option, least, held in (
        ("a lot in use gives at least", "--smallest-pull=0", tidy.pull, kept and kept.pull),
        ("an opened lot keeps nothing or at least", "--smallest-remnant=0", tidy.remnant, kept and kept.remnant),
    ):
        gone = "" if held == least else ", which gives way: no such batch was found"
        said += [f"{what} {answer.problem.unit.said(least.kilograms, 2)}{gone}"] if least.kilograms else []
        off += [option] if least.kilograms and not least.asked else []
    words = f"{', '.join(said)}" + (f"; off: {' '.join(off)}." if off else ".")
    words = f"by default {words}" if len(off) == len(said) else words
    price, cost = answer.tidy_price, answer.optimum.cost if answer.optimum else ZERO
    if price is not None and price > _WORTH_A_WORD * abs(cost):
        words += f" They cost {shown(price, 2)} {answer.problem.recipe.entry.currency}".rstrip()
        words += f", {shown(PERCENT * price / cost, 1)} %." if cost else "."
    return words[0].upper() + words[1:] if said else ""


def notes(answer: Answer) -> list[str]:
    """What was assumed in reckoning the batch."""
    problem = answer.problem
    said = [*filter(None, (uncured(answer), tidiness(answer))), *heed(answer)]
    dry = [a.item for a in problem.recipe.additions if a.item.kind in (Kind.DRY, Kind.SALT, Kind.CURE)]
    zero = ", ".join(item.name for item in dry if item.properties.keys().isdisjoint((FAT, MOISTURE, PROTEIN)))
    said += [f"Counted as no fat, moisture or protein: {zero}."] if zero else []
    process = problem.recipe.process
    if process.declared:
        water, fat = (trimmed(PERCENT * share, 2) for share in (process.water_loss, process.fat_loss))
        lost = f"Yield: of the batch's weight {water} % is lost as water"
        said.append(f"{lost} and {fat} % as fat." if process.fat_loss else f"{lost}.")
    if answer.weighed is not None and answer.weighed.solved_again:
        said.append("Nearest rounding broke a requirement; the batch was solved again in whole scale divisions.")
    return said


def _confirmed(problem: Problem) -> Iterator[str]:
    """What the recipe confirms of its cures, each by itself: a strength confirms no dose."""
    for item in problem.recipe.entry.additions:
        strength = f"{trimmed(item.nitrite_pct or ZERO)} % nitrite"
        for there, said in (
            (item.confirm_strength, f"You confirm the strength of {item.name}: {strength}."),
            (item.confirm_dose, f"You confirm the small dose of {item.name}."),
            (item.holds_no_nitrite, f"You say that {item.name} holds no nitrite or nitrate."),
            (item.holds_no_additive, f"You say that {item.name} holds no additive."),
        ):
            yield from [said] if there else ()


def not_judged(problem: Problem) -> list[str]:
    """What this product needs beside the limits, and none of them judges."""
    classes = classes_of(problem)
    unsaid = ", ".join(dict.fromkeys(x for pack, known in classes for x in pack.leaves_unsaid(problem.product, known)))
    return [f"Not judged here, see to it yourself: {unsaid}."] if unsaid else []


def _plants(problem: Problem) -> list[str]:
    """What a label says of nitrite from a plant, under the recipe's packs."""
    plants = [p for item in problem.recipe.entry.additions if (p := item.from_plant) and p != NOT_A_PLANT]
    if not plants:
        return []
    laws = [f"{pack.title}: {plant_wording()[pack.pack]}" for pack in problem.packs if pack.pack in plant_wording()]
    source = f"Nitrite or nitrate comes from {' and '.join(plants)}, and counts like any other"
    return [f"{source}. On the label: {'; '.join(laws) or 'ask your authority'}."]


def cured_lots(answer: Answer) -> list[str]:
    """Lots in the batch that bring nitrite or nitrate."""
    return [lot.name for lot in answer.lots if brought([lot])]


def left_out(problem: Problem) -> list[str]:
    """Lots that may not go in, with the reason; those of one reason that many may share last, together."""
    named, shared = list[str](), dict[str, list[str]]()
    for entry in problem.left_out:
        if entry.of_many:
            shared.setdefault(entry.why, []).append(entry.lot.name)
        else:
            named.append(f"{entry.lot.name}: {entry.why}")
    return [*named, *(f"{why}: {', '.join(names)}" for why, names in shared.items())]


def _soft_failures(answer: Answer) -> Iterator[str]:
    for check in answer.checks:
        r, which = check.requirement, f" ({check.why})" if check.why else ""
        if check.ok is False and not r.origin.blocks and check.value is not None:
            asked = f"{r.limits()} asked for by {r.origin.source}{confirm(r)}"
            yield f"{r.what}{which} is {trimmed(check.value, 4)} {r.unit}, {asked}."


def confirm(requirement: Requirement) -> str:
    """The request to confirm a figure that was not read in the law's own words, or nothing."""
    status = requirement.origin.status
    doubtful = status in (Provenance.MEMORY, Provenance.SECONDARY)
    return f" (figure {status}: confirm it with your authority)" if doubtful else ""


def _coarse_cure_scale(weighed: Weighed) -> Iterator[str]:
    for item, division in weighed.divisions.items():
        least = min((load.kilograms[item] for load in weighed.loads if item in load.kilograms), default=ZERO)
        if item.kind is Kind.CURE and division > COARSE_DIVISION * least > 0:
            yield (
                f"the scale's division of {trimmed(division * G_PER_KG)} g is {shown(PERCENT * division / least, 1)} % "
                f"of the {trimmed(least * G_PER_KG)} g of {item.name} in a load: use a finer scale (over 1 % is too "
                "coarse; common practice, no source)."
            )


def _coarse_doses(formula: Formula, weighed: Weighed) -> Iterator[str]:
    """Additions that the scale's division puts far off their dose in some load; cure has its own limits."""
    loads = [load.kilograms for load in weighed.loads]
    exact = [formula.exact_batch(tuple(load.get(c, ZERO) for c in formula.columns)).kilograms for load in loads]
    for item in (addition.item for addition in formula.dosed if addition.item.kind is not Kind.CURE):
        off = []
        for load, doses in zip(loads, exact, strict=True):
            kilograms, dose = load.get(item, ZERO), doses.get(item, ZERO)
            there = sum(kg * dict(i.parts).get(item, ZERO) for i, kg in load.items() if i.parts)
            if abs(kilograms - dose) > OFF_DOSE * (dose + there) and kilograms + dose > 0:
                off.append((kilograms, dose))
        if off:
            kilograms, dose = max(off, key=lambda pair: abs(pair[0] - pair[1]))
            yield (
                f"the scale's division of {trimmed(weighed.divisions[item] * G_PER_KG)} g makes "
                f"{trimmed(kilograms * G_PER_KG, 3)} g of {item.name} of a dose of {trimmed(dose * G_PER_KG, 2)} g in "
                f"a load: use a finer scale ({trimmed(PERCENT * OFF_DOSE)} % off is too far; {NO_SOURCE})."
            )


def on_estimates(items: Iterable[Ingredient], process: Process, met: Iterable[Requirement]) -> list[str]:
    """Which lots' figures are estimated and how well, and the limits that forbid a batch and hold only on those."""
    names: dict[str, list[str]] = {}
    for component, item in product(FromFat, items):
        lines = lines_of(item)
        if lines is not None and estimated(item, component.property_name, process.estimates) is not None:
            line = lines.moisture if component is FromFat.MOISTURE else lines.protein
            names.setdefault(f"{component} within {shown(line.sd, 1)} points of", []).append(item.name)
    told = "; ".join(f"{what} {', '.join(lots)}" for what, lots in names.items())
    said = [f"Estimated from fat, two times in three so near: {told} ({estimates().source})."] if told else []
    held = [f"{r.what} {r.limits()}" for r in met if r.estimated and r.origin.blocks and r.origin.legal]
    if held:
        said.append(f"Met only on estimates, so have it analysed before you rely on it: {'; '.join(held)}.")
    return said


def in_words(fault: Fault) -> str:
    """A warning of the recipe, as a page repeats it."""
    return f"{fault.found} ({fault.allowed})."


def _implausible(problem: Problem, batch: Batch) -> Iterator[str]:
    yield from odd_salt(batch)
    need = casing_need(problem, batch)
    if need is not None and need.links == 0 and need.link_g_raw is not None:
        yield f"one link of {shown(need.link_g_raw, 0)} g is more than the whole batch."


def odd_salt(batch: Batch) -> list[str]:
    """A total of salt that no sausage has; nothing where a lot does not state its salt, or there is none at all."""
    salt = composition(batch, Basis.BATCH).get(SALT)
    low, high = SALT_PCT
    if not salt or low <= salt <= high:
        return []
    usual = f"{trimmed(low)} to {trimmed(high)} % is usual; {NO_SOURCE}"
    return [f"the whole batch holds {trimmed(salt, 2)} % salt ({usual})."]


def _no_law(problem: Problem) -> Iterator[str]:
    without = [pack.pack for pack, known in classes_of(problem) if pack.classes and known is None]
    if without:
        yield f"no product_class is stated, so limits of {', '.join(without)} for a class are not checked."
    if not problem.packs:
        yield "the recipe names no rule pack: no legal limit was checked."


# Why no batch exists, in one plain sentence for the first line of a page.


def inward(problem: Problem, kilograms: Fraction, way: int) -> Fraction:
    """Kilograms of a batch rounded up (``way`` 1) or down to a tenth of the kitchen's unit, a hundredth below ten."""
    unit = problem.unit.kg
    step = unit * (_TENTH if kilograms >= 10 * unit else _TENTH / 10)
    return (ceil(kilograms / step) if way > 0 else floor(kilograms / step)) * step


def cause(answer: Answer) -> str:
    """The sentence; empty where a batch exists, no reason was found, or the time was up before either."""
    problem, conflict = answer.problem, answer.conflict
    if answer.status is Status.TIME_LIMIT:
        return ""
    if answer.scale_prevents:
        broken = "; ".join(r.words() for r in answer.scale_prevents)
        none = "none" if answer.scale_certain else "none was found"
        return f"A batch exists, but {none} in whole divisions of these scales: rounding breaks {broken}."
    if conflict is None or not conflict.requirements:
        return ""
    if not problem.formula.lots:
        return "No lot may go in."
    for requirement in conflict.requirements:
        value = requirement.fixed_value(problem.formula)
        if value is not None:
            return f"{_figure(requirement, value)} whatever lots are chosen; {_asked(requirement)}."
    reached = {id(reach.requirement): reach for reach in conflict.reach}
    size = next((r for r in conflict.requirements if r.role is Role.SIZE), None)
    return (size is not None and _size(problem, conflict, reached.get(id(size)))) or _limits(problem, conflict, reached)


def _size(problem: Problem, conflict: Conflict, reach: Reach | None) -> str:
    """Where only the weight stands in the way of the rest."""
    order = problem.order
    least = "at least " * order.band
    asked = f"you asked for {least}{problem.unit.said(order.kilograms - order.band * order.within_kg)}"
    if reach is not None and reach.below:
        most = problem.unit.said(inward(problem, reach.below, -1), 2)
        if conflict.packs_matter:
            return f"In whole packs and pulls this recipe takes {most} from the cooler; {asked}."
        amounts = [r for r in conflict.requirements if r.of_batch and r.role is Role.OWN]
        if amounts:
            held = "; ".join(f"{r.what} {r.limits()}" for r in amounts)
            return f"With {held} no more than {most} can be made; {asked}."
        return f"The cooler holds {most} for this recipe; {asked}."
    if reach is None or reach.above is None:
        return ""
    if order.band:
        asked = f"you asked for at most {problem.unit.said(order.kilograms + order.within_kg)}"
    least = problem.unit.said(inward(problem, reach.above, 1), 2)
    must = [lot for lot in problem.formula.lots if isinstance(lot, Lot) and lot.use_up]
    if not must:
        return f"From these lots no less than {least} can be made of this recipe; {asked}."
    kg = problem.unit.said(sum((lot.usable_kg for lot in must), ZERO), 2)
    fat = sum((lot.usable_kg * lot.properties[FAT] / PERCENT for lot in must), ZERO)
    on_fat = any(isinstance(r.counted, Amount) and r.counted.name == FAT for r in conflict.requirements)
    told = f", {problem.unit.said(fat, 1)} of them fat" if on_fat else ""
    word = f"{counted(len(must), 'lot')} must be used up, {kg} in all{told}, which"
    return f"{word} needs {least} of batch; {asked}."


def _limits(problem: Problem, conflict: Conflict, reached: dict[int, Reach]) -> str:
    """Where limits stand against each other or what the lots are; one of your own is named sooner than a law."""
    core = sorted(conflict.requirements, key=lambda r: (r.origin.legal, r.role is Role.SIZE))
    surely = "" if not any(r.confidence for r in core) else "With the confidence asked for, "
    for requirement in core:
        reach = reached.get(id(requirement))
        if reach is None or reach.nearest is None or requirement.role is Role.SIZE:
            continue
        word = "at most" if requirement.lo is not None and reach.nearest < requirement.lo else "at least"
        others = [r.words() for r in core if r is not requirement]
        kept = f", with {joined(others)}" if others else ""
        text = f"{requirement.what} of the {requirement.basis} is {word} {_said(requirement, reach.nearest)}"
        return f"From these lots {text}{kept}; {_asked(requirement)}."
    text = joined([r.words() for r in core])
    together = "cannot hold together from these lots" if len(core) > 1 else "cannot hold from these lots"
    packs = " in whole packs and pulls" if conflict.packs_matter else ""
    return f"{surely}{text[:1] if surely else text[:1].upper()}{text[1:]} {together}{packs}."


def _said(requirement: Requirement, value: Fraction) -> str:
    return f"{shown(value, 2)} {requirement.unit}".strip()


def _figure(requirement: Requirement, value: Fraction) -> str:
    text = f"{requirement.what} of the {requirement.basis} is {_said(requirement, value)}"
    return text[:1].upper() + text[1:]


def _asked(requirement: Requirement) -> str:
    return f"{'the law allows' if requirement.origin.legal else 'the recipe asks for'} {requirement.limits()}"
