"""A checked batch as a page, one table a place, the worst margin first, and as a JSON document."""

from collections.abc import Iterator
from datetime import date as Day
from fractions import Fraction

from constraints.as_typed import G_PER_KG, shown
from constraints.quantities import SALT, Basis
from optimizer import as_weighed, findings
from optimizer.figures import Unit, figure, measured, wanted
from optimizer.findings import Report
from optimizer.pages import details
from optimizer.pages.answer_json import Estimated, LimitPart, PassingDose
from optimizer.pages.tables import heading, listed, paragraph, table, titled
from optimizer.record import Figure, Record, at
from optimizer.remarks import in_words, known_to_contain, odd_salt, on_estimates
from optimizer.summary import Shares, estimated_in, shares, weight
from optimizer.verdict import HEADLINES, Grade, Mark, VerdictPart, mark, worst
from optimizer.wording import CAUTION, FULL, WATCH, day_words

MOST_PLACES = 8
"""Decimals of a margin at most."""
_OFF = (
    "off: by more than a scale division a load and 2 % of the dose; BROKEN: salt and cure that are off, and anything "
    "by more than that division and 10 % (common practice, no source)"
)


def check_page(report: Report, *, full: bool = False) -> str:
    """The page, ending in a newline; ``full`` adds composition and every limit of every place with its source."""
    lines = [*_verdict(report), *_watch(report), *_doses(report, full=full), *_loads(report)]
    if full:
        lines += details.composition_table(report.batch)
        lines.append(f"whole batch {report.unit.said(weight(report.batch, Basis.BATCH))}")
        silent = [i.name for i in report.batch.kilograms if i.kind.states_composition and SALT not in i.properties]
        lines += paragraph(f"The total of salt is not known: {', '.join(silent)} without {SALT}.") if silent else ()
        lines += [line for place in report.places for line in _place(place)]
    lines += ["", *_places(report), *([] if full else [FULL]), *paragraph(CAUTION)]
    return "\n".join(lines) + "\n"


def warnings_of(report: Report) -> list[str]:
    """Warnings of the recipe, what rests on estimates, and a total of salt that no sausage has."""
    met = [finding.requirement for finding in report.findings if finding.ok]
    rests = on_estimates(report.batch.kilograms, report.batch.process, met)
    return [*rests, *map(in_words, report.recipe.warnings), *odd_salt(report.batch)]


def verdict(report: Report) -> VerdictPart:
    """The grade of the whole batch and its loads, and the checks of the whole batch counted."""
    doubtful = any(mark(finding) is Mark.NOT_CERTAIN for part in report.each for finding in part.findings)
    grade = worst([report.grade, Grade.NOT_CERTAIN]) if doubtful else report.grade
    return VerdictPart.of(grade, report.findings, len(warnings_of(report)), weighed=True)


def _verdict(report: Report) -> Iterator[str]:
    """What is wrong, the worst first: what forbids the batch, what the recipe asks, additions off their dose."""
    meat = report.unit.said(weight(report.batch, Basis.MEAT))
    yield from paragraph(f"{report.recipe.entry.name}, as weighed: {meat} of meat block, {day_words(report.day)}")
    yield from paragraph(verdict(report).headline)
    yield from listed(("* ", text) for text in report.unfit)
    for grade in (Grade.DO_NOT_MAKE, Grade.NOT_THIS_NAME):
        yield from listed(("* ", text) for part in report.each for text in _forbidding(part, grade, report.unit))
    yield from listed(("> ", f"What would pass: {dose.words()}.") for dose in report.instead)
    yield from listed(("> ", f"{text}.") for text in report.other_names)
    off = [
        f"{_of_load(part)}not certain: {details.broken_words(finding, 'allowed')}, and it may be {_spread(finding)}"
        for part in report.each for finding in part.findings if mark(finding) is Mark.NOT_CERTAIN
    ]  # fmt: skip
    off += [f"The loads do not add up to the whole: {text}; both were checked" for text in report.apart]
    off += [*report.unlike, *report.against]
    off += [text for part in report.each for text in _missing(part, report.unit)]
    yield from listed(("* ", text) for text in off)


def _of_load(report: Report) -> str:
    return f"load {report.load}: " if report.load else ""


def _forbidding(report: Report, grade: Grade, unit: Unit) -> Iterator[str]:
    """What gives the whole batch, or one load, this grade."""
    for dose in report.doses if grade is Grade.DO_NOT_MAKE else ():
        yield from [_of_load(report) + _dose_words(dose, unit)] if dose.forbids else ()
    for place in report.places:
        graded = (finding for finding in place.findings if finding.grade is grade)
        named = f"{_of_load(report)}{place.title}"
        yield from (f"{named}: {details.broken_words(finding, 'allowed')}" for finding in graded)


def _missing(report: Report, unit: Unit) -> Iterator[str]:
    """What the whole batch, or one load, has otherwise than the recipe asks, and what would put it right."""
    for dose in (dose for dose in report.off if not dose.forbids):
        mend = ""
        if dose.weighed_kg < dose.wanted_kg:
            mend = f"; add {unit.small(dose.wanted_kg - dose.weighed_kg, dose.division_kg)}"
        elif dose.meat_kg:
            mend = f"; so much is the dose for {unit.figure(dose.meat_kg, 2)} {unit.name} of meat block"
        yield f"Off its dose: {_of_load(report)}{_dose_words(dose, unit)}{mend}"
    for finding in report.findings:
        if finding.grade is Grade.NOT_THE_RECIPE:
            confidence = f"; {finding.why}" if finding.on_paper and finding.why else ""
            yield f"{_of_load(report)}{details.broken_words(finding, 'asked')}{confidence}{_mend(finding, unit)}"


def _dose_words(dose: as_weighed.Dose, unit: Unit) -> str:
    weighed, wanted = (unit.small(kg, dose.division_kg) for kg in (dose.weighed_kg, dose.wanted_kg))
    return f"{dose.item.name}, {weighed} weighed, {wanted} is its dose for these lots"


def _mend(finding: findings.Finding, unit: Unit) -> str:
    mend = finding.mend
    if mend is None:
        return ""
    bony = " after bone and rind" if mend.lot.usable < 1 else ""
    added = f"{unit.said(mend.kilograms)}{bony} more of {mend.lot.name}, with what is dosed for it"
    return f"; {added}, would mend it: {measured(mend.value, finding.requirement)}"


def _spread(finding: findings.Finding) -> str:
    if finding.low is None or finding.high is None:
        return "anything: the tolerance is as large as what was weighed"
    return " to ".join(figure(x, finding.requirement) for x in (finding.low, finding.high))


def _watch(report: Report) -> list[str]:
    """Warnings of every place, what a laboratory must find, and what is not judged here."""
    said = [("! ", text) for text in warnings_of(report)]
    for title, finding in ((place.title, finding) for place in report.places for finding in place.findings):
        if mark(finding) is Mark.WARNING:
            said.append(("! ", f"{title}: {details.broken_words(finding, 'wanted')}"))
        elif mark(finding) is Mark.LABORATORY:
            said.append(("? ", details.unknown_words(finding)))
    further = (*known_to_contain(report.recipe), f"Not judged here: {'; '.join(report.not_judged)}.")
    return [*heading(WATCH), *listed([*said, *(("* ", text) for text in further)])]


def _doses(report: Report, *, full: bool) -> Iterator[str]:
    """The additions against their doses; what the marks mean on the full page, or where one is off."""
    unit, rows = report.unit, []
    for dose in report.doses:
        off = "" if dose.off_pct is None else shown(dose.off_pct, 1)
        share = f"{off if off.startswith('-') else f'+{off}'} %" if off else ""
        mark = "BROKEN" if dose.breaks or dose.forbids else "off" if dose.off else "ok"
        weights = (unit.small(kg, dose.division_kg).removesuffix(" g") for kg in (dose.weighed_kg, dose.wanted_kg))
        rows.append([mark, dose.item.name, *weights, share])
    if rows:
        small = "g" if unit.name == "kg" else "oz (g)"
        heads = ("", "addition", f"weighed {small}", f"dose {small}", "off by")
        yield from (*heading("additions"), *table(heads, rows, "<<>>>", ruled=False))
        yield from paragraph(_OFF) if full or report.off else ()


def _loads(report: Report) -> list[str]:
    """A line a load that was weighed by itself."""
    rows, unit = [], report.unit
    for load in report.loads:
        weights = (unit.figure(weight(load.batch, basis), 3) for basis in (Basis.MEAT, Basis.BATCH))
        rows.append([f"{load.load}", *weights, "ok" if load.grade is Grade.MAKE else HEADLINES[load.grade]])
    heads = ("load", f"meat {unit.name}", f"batch {unit.name}", "")
    return titled("loads, each checked alone", heads, rows, ">>><")


def _places(report: Report) -> Iterator[str]:
    """A line a place: how many of its limits hold, and the one that is nearest to break."""
    for place in report.places:
        held = sum(finding.ok is True for finding in place.findings)
        text = f"{place.title}: {held} of {len(place.findings)} limits hold"
        near = next((f for f in place.findings if f.ok and f.value and not details.nothing_goes_in(f)), None)
        if near is not None:
            r = near.requirement
            text += f"; nearest: {r.what} of the {r.basis} {measured(near.value, r)} ({wanted(r)})"
        yield from paragraph(f"{text}.")


def _place(place: findings.Place) -> Iterator[str]:
    """Every limit of a place; what the batch holds none of last, in a list."""
    absent = [finding for finding in place.findings if details.nothing_goes_in(finding)]
    rows, ranges, sources = [], [], []
    for number, finding in enumerate((one for one in place.findings if not details.nothing_goes_in(one)), start=1):
        r, said = finding.requirement, "" if finding.value is None else figure(finding.value, finding.requirement)
        rows.append([mark(finding), f"{r.what}, {r.basis}", said, r.limits(), _margin(finding), f"{number}"])
        if finding.low is not None and finding.low != finding.high:
            spread, holds = f"{_spread(finding)} {r.unit}".strip(), "holds" if finding.whole_range else "does NOT hold"
            text = f"{spread} within the scales' tolerance; the verdict {holds} for all of it."
            ranges.append((f"{number:3}  ", text))
        sources.append((f"{number:3}  ", (f"{finding.why}; " if finding.why else "") + details.source_words(r)))
    yield from heading(place.title)
    yield from table(("", "what", "is", "limit", "to spare", "source"), rows, "<<><>>") if rows else ()
    yield from listed([*ranges, *sources])
    yield from ["None of these is in this batch:"] if absent else ()
    yield from listed(("ok  ", details.absent_words(finding.requirement)) for finding in absent)
    yield from paragraph(f"The last word is with {place.authority}.") if place.name != "recipe" else ()


def _margin(finding: findings.Finding) -> str:
    """Distance to the nearer limit in the figure's own unit, below zero where the limit is broken."""
    gap, places = finding.margin, 2
    if gap is None or (finding.on_paper and finding.ok is False):
        return ""
    while places < MOST_PLACES and gap and not Fraction(shown(gap, places)):
        places += 1
    unit = {"%": "points"}.get(finding.requirement.unit, finding.requirement.unit)
    return f"{shown(gap, places)} {unit}".strip()


class FindingPart(LimitPart):
    """A limit as weighed, with the range of its figure within the scales' tolerance where one was given."""

    low: Figure | None
    high: Figure | None
    margin: Figure | None
    """Distance to the nearer limit, below zero where that is broken."""
    whole_range: bool | None
    """Whether the verdict is the same over all of that range."""
    forbids: bool = at("grade.forbids")
    mend: as_weighed.Mend | None


class DosePart(Record):
    """An addition as weighed against its dose for the lots weighed."""

    item: str = at("item.name")
    grams: Figure = at(lambda dose: dose.weighed_kg * G_PER_KG)
    dose_grams: Figure = at(lambda dose: dose.wanted_kg * G_PER_KG)
    off_pct: Figure | None
    off: bool
    breaks: bool
    forbids: bool


class PlacePart(Record):
    """The findings under one rule pack, or under the recipe itself."""

    rules: str = at("name")
    title: str
    checks: list[FindingPart] = at("findings")


class EachChecked(Record):
    """What is measured of the whole batch and of each load alike."""

    meat_kg: Figure = at(lambda report: weight(report.batch, Basis.MEAT))
    batch_kg: Figure = at(lambda report: weight(report.batch, Basis.BATCH))
    off_dose: list[DosePart] = at("off")
    doses: list[DosePart]
    places: list[PlacePart]


class LoadChecked(EachChecked):
    """One mixer load, checked alone."""

    load: int
    status: Grade = at("grade")


class Checked(EachChecked):
    """The answer of ``trimwright check``."""

    status: Grade = at(lambda report: verdict(report).grade)
    verdict: VerdictPart = at(verdict)
    other_names: list[str]
    recipe: str = at("recipe.entry.name")
    date: Day = at("day")
    composition: Shares = at(lambda report: shares(report.batch))
    estimated: Estimated = at(lambda report: estimated_in(report.batch))
    unfit: list[str]
    loads: list[LoadChecked]
    loads_apart: list[str] = at("apart")
    held_apart: list[str] = at("unlike")
    against: list[str]
    not_judged: list[str]
    what_would_pass: list[PassingDose] = at("instead")
    warnings: list[str] = at(warnings_of)
    notes: list[str] = at(lambda report: known_to_contain(report.recipe))
    caution: str = at(lambda report: CAUTION)
