"""What was made, as its recipe and a weighed batch say it, and what was found of its heat, cold and drying.

Treatments depend on nitrite, salt and species. Findings stand in phases, under each place, and end in one verdict.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from constraints.as_typed import ONE, ZERO, shown, trimmed
from constraints.formula import Batch, Formula, NoDose
from constraints.quantities import GROUPS, SALT, Ingredient, Kind, Lot, MissingProperty, members, species_of
from constraints.requirement import Origin
from constraints.rules import OneRequirement, ProcessStep
from constraints.treatment import Sourced, Treatments, celsius
from optimizer.as_weighed import whole_of
from optimizer.made.log import Log
from optimizer.reading.lots import read_lots
from optimizer.reading.recipe import Recipe
from optimizer.reading.weighed import read_weighed

DRY = (Kind.DRY, Kind.SALT, Kind.CURE)


@dataclass(frozen=True)
class MadeProduct:
    """A recipe with the batch as weighed, or the doses alone where none was given (``weighed`` False).

    ``water_activity`` is a measured figure. ``species`` are those that may be in it: all of them where nothing is said.
    """

    recipe: Recipe
    batch: Batch | None
    weighed: bool
    species: frozenset[str]
    water_activity: Fraction | None = None

    @property
    def species_said(self) -> bool:
        """True where lots or recipe say which species are in it."""
        return self.species != frozenset(GROUPS)

    def does(self, step: ProcessStep) -> bool:
        """True where the recipe has a step after stuffing."""
        return step in self.recipe.entry.steps

    def takes(self, species: Sequence[str], not_species: Sequence[str]) -> bool:
        """True where a table for some species and not for others is for this product."""
        some = not species or bool(self.species & members(tuple(species)))
        return some and not self.species & members(tuple(not_species))

    def meets(self, requires: Sequence[OneRequirement], source: str) -> tuple[bool | None, str]:
        """Whether the batch holds what a treatment asks, and in words what it lacks."""
        unknown = ""
        for asked in requires:
            requirement = asked.build(Origin("treatment", source))
            try:
                verdict = None if self.batch is None else requirement.measure(self.batch)
            except MissingProperty as error:
                verdict, unknown = None, f"{error}, which {requirement.what} needs"
            if verdict is None or verdict.ok is None:
                unknown = unknown or f"{requirement.what} is not known"
            elif not verdict.ok:
                value = trimmed(verdict.value or ZERO, 2)
                return False, f"{requirement.what} is {value} {requirement.unit}, {requirement.limits()} asked"
        return (None, unknown + ("" if self.weighed else "; give --batch and --lots")) if unknown else (True, "")

    def salt_pct(self, of: str) -> Fraction | None:
        """Salt added, % of the batch, of the meat, or of the batch less its dry ingredients; None without a batch."""
        if self.batch is None or not self.weighed:
            return None
        items = self.batch.kilograms.items()
        salt = sum((kg * item.properties.get(SALT, ZERO) for item, kg in items if item.kind is not Kind.LOT), ZERO)
        kept = {
            "batch": [kg for _, kg in items],
            "meat": [kg for item, kg in items if item.kind is Kind.LOT],
            "without_dry": [kg for item, kg in items if item.kind not in DRY],
        }[of]
        return salt / sum(kept) if kept else None


def made_product(recipe: Recipe, batch: str | None, lots: str | None, water_activity: Fraction | None) -> MadeProduct:
    """The product of a recipe and, where given, of a weighed batch with its lots table. Raises BadInput."""
    if batch is None or lots is None:
        named = recipe.entry.eligible.species or ()
        found = [Ingredient(name, Kind.LOT, {SALT: ZERO}, species=name) for name in named]
        return MadeProduct(recipe, _doses(recipe), False, species_of_lots(found), water_activity)
    made = whole_of(recipe, read_lots(lots), read_weighed(batch), batch)
    species = species_of_lots([item for item in made.kilograms if isinstance(item, Lot)])
    return MadeProduct(recipe, made, True, species, water_activity)


def species_of_lots(lots: Sequence[Ingredient]) -> frozenset[str]:
    """The species of the lots; every one of them where there is none, or one does not say."""
    try:
        return frozenset(species_of(lot) for lot in lots) or frozenset(GROUPS)
    except MissingProperty:
        return frozenset(GROUPS)


def _doses(recipe: Recipe) -> Batch | None:
    """A kilogram of unsalted meat with the recipe's doses: what nitrite and accelerator follow from."""
    meat = Ingredient("meat", Kind.LOT, {SALT: ZERO})
    try:
        formula = Formula((meat,), recipe.additions, recipe.process)
    except (NoDose, MissingProperty):
        return None
    return formula.exact_batch([ONE if column is meat else ZERO for column in formula.columns])


@dataclass(frozen=True)
class TimeSpan:
    """A time of the log to be drawn: minutes, a level in Fahrenheit, and whose."""

    name: str
    start: Fraction
    end: Fraction
    level: Fraction
    earns: bool = False

    @property
    def minutes(self) -> Fraction:
        """How long it is."""
        return self.end - self.start


@dataclass(frozen=True)
class LogFinding:
    """One table row, option or figure on the log. ``ok`` None: not judged. ``near`` orders what was not met."""

    ok: bool | None
    words: str
    by: Sourced | None = None
    near: Fraction = ZERO
    spans: tuple[TimeSpan, ...] = ()

    @property
    def passes(self) -> bool:
        """True where it is met and its figure may pass a batch."""
        return self.ok is True and (self.by is None or self.by.passes)


@dataclass(frozen=True)
class Phase:
    """Findings of which one is enough. ``needed``: not judged is no pass; ``warns``: it never decides;
    ``aside``: it is said in full only.
    """

    title: str
    findings: tuple[LogFinding, ...]
    needed: bool = False
    warns: bool = False
    aside: bool = False

    @property
    def ok(self) -> bool | None:
        """True where one passes, False where none does and one fails, else None."""
        if any(finding.passes for finding in self.findings):
            return True
        return False if any(finding.ok is False for finding in self.findings) else None

    @property
    def best(self) -> LogFinding | None:
        """The finding to show: one that passes, read in the law first; else the nearest to it."""
        passing = [finding for finding in self.findings if finding.passes]
        if passing:
            return max(passing, key=lambda f: (f.by is None or not f.by.confirm, f.near))
        return max(self.findings, key=lambda f: (f.ok is not None, f.by is None or f.by.passes, f.near), default=None)

    @property
    def holds(self) -> bool:
        """True where the batch must be held for it."""
        return not self.warns and (self.ok is False or (self.needed and self.ok is None))

    @property
    def confirm(self) -> bool:
        """True where it passes only by a figure that an authority must confirm."""
        return bool(self.ok and not self.warns and self.best and self.best.by and self.best.by.confirm)


@dataclass(frozen=True)
class Judged:
    """The phases under one place, or (``place`` None) of the product itself."""

    place: Treatments | None
    phases: tuple[Phase, ...]


@dataclass(frozen=True)
class LogReport:
    """A log judged. ``lacking`` names what no place has a table for; ``error`` is the thermometer's, Fahrenheit."""

    product: MadeProduct
    log: Log
    judged: tuple[Judged, ...]
    lacking: tuple[str, ...] = ()
    error: Fraction = ZERO

    @property
    def phases(self) -> Iterator[Phase]:
        """Every phase of every place."""
        return (phase for judged in self.judged for phase in judged.phases)

    @property
    def hold(self) -> tuple[str, ...]:
        """Why the batch must be held, in words; empty where every phase passes that must."""
        said = tuple(_why(phase) for phase in self.phases if phase.holds)
        if not any(phase.ok for phase in self.phases if not phase.warns):
            said += () if (*said, *self.lacking) else ("nothing of it could be judged",)
        return tuple(dict.fromkeys((*said, *self.lacking)))

    @property
    def confirm(self) -> bool:
        """True where a pass rests on a figure read second hand."""
        return any(phase.confirm for phase in self.phases)


def lacks(places: Sequence[Treatments], what: str, key: str = "") -> tuple[str, ...]:
    """What no place has a table for, in words; nothing where one has."""
    if any(getattr(place, key or what) for place in places):
        return ()
    names = " and ".join(place.title for place in places)
    return (f"{what}: {names} has no table" if names else f"{what}: no place with a table is named (--rules)",)


def _why(phase: Phase) -> str:
    best = phase.best
    if best is None:
        return f"{phase.title}: not judged"
    memory = best.by is not None and not best.by.passes and best.ok is True
    return f"{phase.title}: {best.words}" + ("; the figure is from memory, which passes nothing" if memory else "")


def spell(minutes: Fraction, beside: Fraction | None = None) -> str:
    """A duration in words, to the second, finer where that would hide on which side of a limit it is."""
    places = 0 if beside is None else places_apart(minutes * 60, beside * 60)
    seconds = Fraction(shown(minutes * 60, places))
    hours, rest = divmod(seconds, 3600)
    if hours >= 72 and not seconds % 3600:
        return f"{trimmed(Fraction(hours, 24), 2)} d"
    parts = [f"{hours} h"] if hours else []
    parts += [f"{int(rest // 60)} min"] if rest >= 60 else []
    parts += [f"{trimmed(rest % 60, places)} s"] if rest % 60 or not parts else []
    return " ".join(parts)


def places_apart(value: Fraction, limit: Fraction, least: int = 0) -> int:
    """Decimals, six at most, at which a figure can be told from its limit."""
    return next((k for k in range(least, 6) if value == limit or shown(value, k) != shown(limit, k)), 6)


def degrees(fahrenheit: Fraction, first: str = "F") -> str:
    """A temperature in both scales, one of them first."""
    both = f"{trimmed(fahrenheit, 1)} F", f"{trimmed(celsius(fahrenheit), 1)} C"
    return f"{both[0]} ({both[1]})" if first == "F" else f"{both[1]} ({both[0]})"
