"""What may be wrong with a recipe that reads well: figures that are probably a slip, and names that speak of something.

Figures that are probably a slip are warned of; those that no kitchen can mean are refused. A name decides nothing. What
reads like a source of nitrite, an allergen or cheese and is not declared is a fault that says how to declare it, or how
to say that it is none.
"""

from collections.abc import Iterator
from fractions import Fraction
from itertools import chain

from constraints import ingoing, words
from constraints.as_typed import G_PER_KG, PERCENT, PPM, Fault, Severity, hidden, meant, trimmed, unprintable
from constraints.asked import PercentBand
from constraints.document import Parsed
from constraints.document.parsing import Loc
from constraints.ingoing import COUNTED
from constraints.quantities import FAT, MOISTURE, PROTEIN, SALT, Basis
from constraints.rules import ProcessStep
from constraints.substances import CHEESE, FORMULAS, SUBSTANCES, SUGAR
from constraints.words import key, look_alikes
from optimizer.reading.entry import PLAIN_KINDS, AdditionEntry, RecipeEntry, may_be_fraction

NO_SOURCE = "common practice, no source"

SALT_PCT = Fraction("0.5"), Fraction(4)
"""Total salt of a batch outside this is suspicious, %; common practice, no source."""
MOST_SPICE_G = Fraction(50)
"""Grams of one spice per kilogram above which the dose is suspicious; common practice, no source."""
MOST_SALT_G = Fraction(250)
"""Grams of salt per kilogram, and a tenth of that in percent, that no sausage has; common practice, no source."""
MOST_DRY_G = Fraction(500)
"""Grams of any other dry addition per kilogram above which a recipe is refused; common practice, no source."""
MOST_ADDED_G = Fraction(900)
"""Additions per kilogram of batch that leave too little meat to be meant, grams; common practice, no source."""
WILD = 100
"""How many times outside what is usual a casing or a link is refused; common practice, no source."""
CASING_KG_PER_M = Fraction("0.1"), Fraction(20)
"""Filling outside this is suspicious, kilograms of batch per metre, from the thinnest sheep casing to the widest bung;
common practice, no source."""
LEAST_LINK_G = Fraction(10)
"""Weight of one raw link under which it is suspicious, grams; common practice, no source."""

_FIGURES = ("target_pct", "min_pct", "max_pct")
_WHOLE_PERCENTS = ("fat", "protein", "moisture", "share")
"""Requirements whose percentages are never under one in earnest; common practice, no source."""


Told = Iterator[tuple[Loc, str, str]]
"""Where it stands, what was found, and what is usual."""


def suspicions(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    """Every suspicious figure of a recipe, as a warning in words that need no path, so that a page can repeat it."""
    for loc, found, allowed in chain(_odd_limits(entry), _doses(entry, suspicious=True), _casing(entry)):
        yield Fault(document.file, *document.mark(loc), found, allowed, Severity.WARNING)


def faults_of(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    """Every fault of a recipe that reads well: of its cures, in its names, and figures that no kitchen can mean."""
    yield from _twice(entry, document)
    whole = _uncured(entry), _unfinished(entry), _doses(entry), _no_room(entry), _casing(entry, WILD)
    told = list(chain(*whole))
    for i, item in enumerate(entry.additions):
        for check in (_odd_cure, _properties, _cure, _additive, _allergens):
            told += [(("additions", i, *loc), found, allowed) for loc, found, allowed in check(item)]
    for loc, found, allowed in told:
        yield document.fault(loc, found, allowed)


def _uncured(entry: RecipeEntry) -> Told:
    """A product that should hold nitrite and does not, or the other way round; two salts that make up one total."""
    cured = any(map(_brings_nitrite, entry.additions))
    needing = [*(["cured"] if entry.cured else []), *(s.value for s in entry.steps if s is not ProcessStep.COOKED)]
    if needing and not cured and not entry.made_without_nitrite:
        found = f"a {' and '.join(needing)} product without nitrite"
        yield ("cured" if entry.cured else "steps",), found, "add a cure, or say made_without_nitrite: yes"
    if cured and entry.made_without_nitrite:
        yield ("made_without_nitrite",), "yes, yet a cure is added", "one or the other"
    if sum(item.total_salt_pct is not None for item in entry.additions) > 1:
        yield ("additions",), "two additions state total_salt_pct", "one salt makes up the total"


def _brings_nitrite(item: AdditionEntry) -> bool:
    return item.is_ == "cure" or any(map(item.properties.get, COUNTED))


def _odd_cure(item: AdditionEntry) -> Told:
    """A strength, or a dose, that is probably a slip and not confirmed."""
    strength, at = item.nitrite_pct if item.is_ == "cure" else None, ("nitrite_pct",)
    if not strength:
        return
    known = ingoing.WEAKEST_PCT <= strength <= ingoing.STRONGEST_PCT or strength == ingoing.PURE_PCT
    if not known and not item.confirm_strength:
        weakest, strongest, pure = map(trimmed, (ingoing.WEAKEST_PCT, ingoing.STRONGEST_PCT, ingoing.PURE_PCT))
        usual = f"{weakest} to {strongest} %, or {pure} for the pure salt"
        found = f"{item.name} with {trimmed(strength)} % nitrite is of unusual strength"
        yield at, found, f"usual is {usual}; if the label says so, add confirm_strength: yes"
    rate = item.g_per_kg_meat if item.g_per_kg_meat is not None else item.g_per_kg_batch
    given = item.ingoing_nitrite_ppm if rate is None else rate / G_PER_KG * strength / PERCENT * PPM
    if given is not None and given < ingoing.LEAST_SENSIBLE_PPM and not (given and item.confirm_dose):
        least = f"under {trimmed(ingoing.LEAST_SENSIBLE_PPM)} ppm"
        meant = f"{least} is probably a typing error; if it is meant, add confirm_dose: yes"
        found = f"{item.name} gives only {trimmed(given, 2)} ppm ingoing nitrite"
        yield at, found, meant if given else "leave it out where none is meant"


def _properties(item: AdditionEntry) -> Told:
    """Properties that are impossible, given twice, or nitrite under a name that nothing counts."""
    for name, value in item.properties.items():
        at = ("properties", name)
        most = PERCENT if name.endswith("_pct") else PPM if name.endswith("_ppm") else None
        if unprintable(name):
            yield at, f"the name {name!r} holds {hidden(name)}", "a name as it is seen"
        elif name in (FAT, MOISTURE, PROTEIN, SALT):
            yield at, f"{name} has a key of its own", f"write {name} beside the name, not here"
        elif words.speaks_of_nitrite(name) and name not in COUNTED:
            yield at, f"nothing counts the property {name}", f"one of {', '.join(COUNTED)}"
        elif most is not None and not 0 <= value <= most:
            yield at, f"{name} is {trimmed(value)}", f"0 to {most}"


def _unfinished(entry: RecipeEntry) -> Told:
    for i, asked in enumerate(entry.require if entry.yield_ is None else ()):
        if getattr(asked.entry(), "basis", None) is Basis.FINISHED:
            found = "a requirement on the finished product, but no yield"
            yield ("require", i), found, "add yield: with finished_pct"


def _doses(entry: RecipeEntry, *, suspicious: bool = False) -> Told:
    """More of a dry addition than a sausage can hold, or of a spice than is usual.

    Cures have limits of their own, which say *do not make*.
    """
    for i, item in enumerate(entry.additions):
        most = MOST_SPICE_G if suspicious else MOST_SALT_G if item.is_ == "salt" else MOST_DRY_G
        meant = item.is_ == "spice" if suspicious else item.is_ not in ("water", "liquid", "inclusion", "cure")
        for name in ("g_per_kg_meat", "g_per_kg_batch") if meant else ():
            dose = getattr(item, name)
            if dose is not None and dose > most:
                found, odd = f"{trimmed(dose)} g of {item.name} in a kilogram", " is a lot for a spice" * suspicious
                usual = "or less" if suspicious else "at most"
                yield ("additions", i, name), f"{found}{odd}", f"{trimmed(most)} g {usual}; {NO_SOURCE}"


def _no_room(entry: RecipeEntry) -> Told:
    """Additions that leave hardly any meat in the batch, and a total of salt that no sausage has."""
    to_batch = MOST_ADDED_G, ("g_per_kg_batch",), "batch"
    to_meat = MOST_ADDED_G / (G_PER_KG - MOST_ADDED_G) * G_PER_KG, ("g_per_kg_meat", "from_g_per_kg_meat"), "meat"
    for most, keys, basis in (to_batch, to_meat):
        added = sum((getattr(item, key) or Fraction(0) for item in entry.additions for key in keys), Fraction(0))
        if added >= most:
            found = f"additions per kilogram of {basis} add up to {trimmed(added)} g"
            yield ("additions",), found, f"under {trimmed(most)} g: they must leave room for the meat"
    for i, item in enumerate(entry.additions):
        if (item.total_salt_pct or 0) > (most := PERCENT * MOST_SALT_G / G_PER_KG):
            found = f"a total of {trimmed(item.total_salt_pct or most)} % salt"
            yield ("additions", i, "total_salt_pct"), found, f"{trimmed(most)} % at most; {NO_SOURCE}"


def _odd_limits(entry: RecipeEntry) -> Told:
    """Percentages that may be fractions, and those that every batch keeps."""
    for i, asked in enumerate(entry.require):
        kind, limits = asked.kind(), asked.entry()
        for name in _FIGURES if kind in _WHOLE_PERCENTS else ():
            figure = getattr(limits, name, None)
            if figure is not None and may_be_fraction(figure):
                found = f"{kind} {name} {trimmed(figure)} may be a fraction"
                yield ("require", i, kind, name), found, f"percent: {trimmed(100 * figure)}, not {trimmed(figure)}"
        lo, hi = limits.between() if isinstance(limits, PercentBand) else (Fraction(PERCENT), None)
        if not lo and (hi is None or hi >= PERCENT):
            found = f"every batch keeps this limit on {kind}"
            yield ("require", i, kind), found, "a smallest figure above 0 %, or a largest below 100 %"


def _casing(entry: RecipeEntry, times: int = 1) -> Told:
    """What no metre of casing holds and no link weighs, so many times beyond what is usual."""
    casing, least = entry.casing, LEAST_LINK_G / times
    if casing is None:
        return
    low, high = CASING_KG_PER_M[0] / times, CASING_KG_PER_M[1] * times
    if not low <= casing.fills <= high:
        found = f"{trimmed(casing.fills, 4)} kg of batch in a metre of casing"
        key = "diameter_mm" if casing.kg_per_m is None else "kg_per_m"
        yield ("casing", key), found, f"{trimmed(low)} to {trimmed(high)} kg; {NO_SOURCE}"
    if casing.link_kg is not None and casing.link_kg * G_PER_KG < least:
        key, long = ("link_g", "") if casing.link_cm is None else ("link_cm", f" of {trimmed(casing.link_cm)} cm")
        found = f"a link{long} weighs only {trimmed(casing.link_kg * G_PER_KG, 2)} g"
        yield ("casing", key), found, f"{trimmed(least)} g or more; {NO_SOURCE}"


NO_ALLERGENS = NOT_A_PLANT = "none"
"""What a recipe writes for an addition that reads like an allergen, or a plant, and is none."""


def contains(item: AdditionEntry) -> tuple[str, ...]:
    """The allergens that an addition is known to hold, by what it states and what it is."""
    own = words.allergen_of(item.is_)
    stated = [name for name in item.allergens or () if name != NO_ALLERGENS]
    return tuple(dict.fromkeys([*([own] if own else []), *stated]))


def _twice(entry: RecipeEntry, document: Parsed) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for i, item in enumerate(entry.additions):
        line, column = document.mark(("additions", i, "name"))
        if item.name in seen:
            first = f"first in line {seen[item.name]}"
            yield Fault(document.file, line, column, f"two additions are named {item.name!r}", first)
        seen.setdefault(item.name, line)
    for other, name in look_alikes(seen):
        found = f"{name!r} looks like {other!r} in line {seen[other]}, and is written with other letters"
        yield Fault(document.file, seen[name], None, found, "names that can be told apart")


def _cure(item: AdditionEntry) -> Told:
    """Named like a cure and none, or declared as one and said to be none: its nitrite would count wrongly."""
    brings = _brings_nitrite(item)
    if item.holds_no_nitrite and brings:
        yield ("holds_no_nitrite",), f"{item.name} holds no nitrite, and states some", "one or the other"
    stated = item.is_ == "cure" or any(name in item.properties for name in COUNTED)
    if words.speaks_of_cured_meat(item.name) and not stated and not item.holds_no_nitrite:
        like, cure = "cured meat", "properties: {nitrite_ppm: what it holds}"
        if words.speaks_of_nitrite(item.name):
            like, cure = "a cure", "is: cure with its nitrite_pct or nitrate_pct"
        found = f"{item.name} is named like {like}, but is: {item.is_}"
        yield ("name",), found, f"write {cure}, or holds_no_nitrite: yes if it brings none"
    if words.speaks_of_plant(item.name) and brings and item.from_plant is None:
        found = f"{item.name} reads like a cure made from a plant"
        yield ("name",), found, "from_plant: the plant's name, because a label says so; or from_plant: none"


def _additive(item: AdditionEntry) -> Told:
    """Named like a regulated additive, and neither declared nor said to hold a stated part of one: no limit sees it.

    Or like cheese: limits that leave cheese out would count it.
    """
    if item.is_ != CHEESE and not item.holds_no_cheese and words.speaks_of_cheese(item.name):
        found = f"{item.name} is named like cheese, but is: {item.is_}"
        yield ("name",), found, "write is: cheese, or holds_no_cheese: yes if it is none"
    meant = words.additive_in(item.name)
    if meant is None or meant == CHEESE or item.holds_no_additive:
        return
    family = SUBSTANCES.get(meant, meant)
    stated = any(f"{name}_pct" in item.properties for name in FORMULAS[family])
    if (item.is_ in PLAIN_KINDS or SUBSTANCES[item.is_] == SUGAR) and not stated:
        found = f"{item.name} is named like an additive, but is: {item.is_}, so no limit on {meant} sees it"
        names = [meant] if meant in SUBSTANCES else [*FORMULAS[family]][:3]
        part = f"properties: {{{names[0]}_pct: its share}} for a blend or solution"
        yield ("name",), found, f"write is: {' or '.join(names)}, {part}, or holds_no_additive: yes if it holds none"


def _allergens(item: AdditionEntry) -> Told:
    """An allergen that the name speaks of, or that is stated and unknown or contradicted."""
    stated, known = item.allergens, (*words.allergens_known(), NO_ALLERGENS)
    for name in stated or ():
        if name not in known:
            hint = meant(name, known, f"one of {', '.join(known)}")
            yield ("allergens",), f"{name!r} is no allergen known here", hint
    if stated and NO_ALLERGENS in stated and (len(stated) > 1 or words.allergen_of(item.is_)):
        yield ("allergens",), f"{item.name} states none, and holds some", "none alone, for what holds no allergen"
    own = words.allergen_of(item.is_)
    asked = [name for name in words.allergens_in(item.name) if name != own]
    if asked and stated is None and not (own and key(item.name) == key(item.is_)):
        found = f"{item.name} reads like {' and '.join(asked)}"
        yield ("name",), found, f"allergens: [{', '.join(asked)}], or allergens: none if it holds none"
