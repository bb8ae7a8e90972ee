"""Fermented, dried, frozen: degree-hours, weight loss, moisture to protein, and raw pork against Trichinella.

Exact, but for an estimate of water activity, which never passes a product.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor

from constraints.as_typed import ONE, PERCENT, ZERO, shown, trimmed
from constraints.quantities import MOISTURE, PROTEIN, SALT, Basis
from constraints.rules import ProcessStep
from constraints.treatment import DegreeHours, Diameter, Drying, Freezing, RatioMark, Treatments, carriers, fahrenheit
from optimizer.made.curve import coldest
from optimizer.made.found import Judged, LogFinding, LogReport, MadeProduct, Phase, degrees, lacks, places_apart, spell
from optimizer.made.heat import HowRead
from optimizer.made.log import Log
from optimizer.summary import composition

CM_PER_IN = Fraction("2.54")
"""Centimetres in the inch, exact (NIST SP 811, B.8)."""
DAY = Fraction(1440)
FREEZER_GAP, ROOM_GAP = Fraction(60), DAY
"""Minutes without a reading that break a freezing and a drying (common practice, no source)."""
AW_FIRST, AW_SECOND = Fraction("0.0052471"), Fraction("0.00012206")
"""Water activity of salt in water, 1 - a w - b w^2 with w grams of salt in 100 g of brine (Resnik and Chirife 1988, as
used by Ross and Dalgaard 2004; coefficients from memory; within 0.006 of the published points in the tests)."""


@dataclass(frozen=True)
class Pieces(HowRead):
    """What a log does not tell: sizes, whether the pork was tested, the loss wanted, %, and a log of freezing."""

    diameter_mm: Fraction | None = None
    piece_mm: Fraction | None = None
    thick_cm: Fraction | None = None
    tested: bool = False
    loss_pct: Fraction | None = None
    frozen: Log | None = None


def judge_dry(log: Log, product: MadeProduct, places: Sequence[Treatments], pieces: Pieces) -> LogReport:
    """Every phase under every place."""
    raw_pork = not product.does(ProcessStep.COOKED) and product.takes(carriers().species, ())
    ferments = product.does(ProcessStep.FERMENTED)
    judged: list[Judged] = []
    for place in places:
        phases = []
        if place.degree_hours and ferments:
            phases.append(Phase("fermentation", (_fermented(log, place.degree_hours, pieces),), needed=True))
        if raw_pork:
            shown = tuple(_trichinella(log, product, place, pieces))
            phases.append(Phase("Trichinella", shown, needed=bool(place.freezing or place.drying)))
        judged.append(Judged(place, tuple(phases)))
    shared = Judged(None, tuple(_product(log, product, pieces, [mark for place in places for mark in place.ratios])))
    lacking = lacks(places, "fermentation", "degree_hours") if ferments else ()
    lacking += lacks(places, "Trichinella", "place") if raw_pork else ()
    return LogReport(product, log, (*judged, shared), lacking, pieces.error)


def degree_hours(log: Log, row: DegreeHours, error: Fraction, until: Fraction) -> Fraction:
    """Degree-hours above the base in the row's own unit, the warmest chamber counting; the error counts as warmth."""
    base = fahrenheit(row.base, row.unit) - error
    most = max(chamber.area_above(base, until) for chamber in log.of("chamber")) / 60
    return most if row.unit == "F" else most * Fraction(5, 9)


def _fermented(log: Log, rows: Sequence[DegreeHours], pieces: Pieces) -> LogFinding:
    """The row of the warmest chamber before the pH came down, and its degree-hours."""
    if not log.of("chamber"):
        return LogFinding(None, "not judged: the log has no chamber's temperature")
    low = rows[0].until_ph
    reached = [next((ph.minute(i) for i in range(len(ph)) if ph.value(i) <= low), None) for ph in log.of("ph")]
    done = bool(reached) and None not in reached
    until = max(at for at in reached if at is not None) if done else log.minutes
    gap, chambers = pieces.gap or FREEZER_GAP, log.of("chamber")
    if any(c.minute(0) > gap or c.minute(len(c) - 1) < until - gap for c in chambers):
        return LogFinding(None, "not judged: the chamber's log does not cover the whole time")
    top = max(c.value(i) for c in chambers for i in range(len(c)) if c.minute(i) <= until)
    if top <= fahrenheit(rows[0].base, rows[0].unit):
        return LogFinding(None, f"not judged: a chamber never above {degrees(top)} ferments nothing; is it in C?")
    warm = top + pieces.error
    cool = [row for row in rows if row.below is None or warm < fahrenheit(row.below, row.unit)]
    row = next(row for row in cool if row.at_most is None or warm <= fahrenheit(row.at_most, row.unit))
    found = degree_hours(log, row, pieces.error, until)
    ok = None if found < row.less_than and not done else found < row.less_than
    unit, ph = f"{row.unit}-h", trimmed(row.until_ph)
    ended = f"to pH {ph} in {spell(until)}" if done else f"and pH {ph} is not in the log"
    places = places_apart(found, row.less_than, 1)
    words = f"{shown(found, places)} {unit} above {trimmed(row.base)} {row.unit} {ended}"
    asked = f"less than {trimmed(row.less_than)} asked (chamber to {degrees(top, row.unit)})"
    return LogFinding(ok, f"{words}, {asked}", row)


def _product(log: Log, product: MadeProduct, pieces: Pieces, marks: Sequence[RatioMark]) -> Iterator[Phase]:
    """Weight loss, ratio and water activity."""
    loss = min((PERCENT * (1 - w.last / w.value(0)) for w in log.of("weight") if w.value(0) > 0), default=None)
    process = product.recipe.process
    target = pieces.loss_pct or (PERCENT * (1 - process.yield_fraction) if process.declared else None)
    if target is not None and product.does(ProcessStep.DRIED):
        said = "no weight in the log" if loss is None else f"{trimmed(loss, 2)} % lost by the least dried piece"
        ok = None if loss is None else loss >= target
        yield Phase("weight loss", (LogFinding(ok, f"{said}, {trimmed(target, 2)} % asked"),), needed=True)
    if product.batch is None or not product.weighed:
        yield Phase("moisture to protein", (LogFinding(None, "not judged: give --batch and --lots"),), warns=True)
        return
    held = composition(product.batch, Basis.BATCH, (MOISTURE, PROTEIN, SALT))
    moisture, protein = held.get(MOISTURE), held.get(PROTEIN)
    if moisture is not None and loss is not None and loss >= moisture:
        found = f"not judged: {trimmed(loss, 2)} % lost is more than the {trimmed(moisture, 2)} % of water it held"
        yield Phase("moisture to protein", (LogFinding(None, found),), needed=True)
        return
    if moisture is not None and protein:
        yield Phase("moisture to protein", tuple(_ratios(moisture, protein, loss, marks)), warns=True)
    salt = product.salt_pct("batch")
    if moisture is not None and salt is not None and loss is not None:
        aw = shown(water_activity(salt, moisture, loss), 3)
        words = f"estimate {aw} from salt alone, which passes nothing: measure it"
        last = [LogFinding(None, f"{curve.name} last measured {trimmed(curve.last, 4)}") for curve in log.of("aw")]
        yield Phase("water activity", (LogFinding(None, words), *last), warns=True)


def loss_for_ratio(moisture: Fraction, protein: Fraction, ratio: Fraction) -> Fraction:
    """Loss, % of the batch's weight and water only, at which moisture is so many times protein (percentages before)."""
    return moisture - ratio * protein


def water_activity(salt: Fraction, moisture: Fraction, loss: Fraction = ZERO) -> Fraction:
    """Estimate from salt and moisture (% of the batch) after a loss of water, %: for planning only."""
    w = PERCENT * salt / (salt + moisture - loss)
    return 1 - AW_FIRST * w - AW_SECOND * w * w


def _ratios(water: Fraction, protein: Fraction, loss: Fraction | None, by: Sequence[RatioMark]) -> Iterator[LogFinding]:
    if loss is not None:
        ratio = shown((water - loss) / protein, 3)
        yield LogFinding(None, f"{ratio} after a loss of {trimmed(loss, 2)} % of the weight")
    for mark in by:
        needed = loss_for_ratio(water, protein, mark.ratio)
        ok = None if loss is None else loss >= needed
        yield LogFinding(ok, f"{trimmed(mark.ratio)} ({mark.title}) at a loss of {shown(needed, 2)} %", mark)


def _trichinella(log: Log, product: MadeProduct, place: Treatments, pieces: Pieces) -> Iterator[LogFinding]:
    if pieces.tested:
        yield LogFinding(True, "tested or from a controlled herd, as you say; keep the paper")
    ways = "--freezing LOG, or --batch, --lots, --diameter-mm and --piece-mm for drying, or --tested; --full says more"
    ways = ways if place.freezing or place.drying else f"{place.title} has no table: ask your authority"
    yield LogFinding(None, f"raw pork, and no treatment is shown ({ways})", near=ONE)
    for table in place.freezing:
        yield _frozen(product, table, pieces)
    for method in place.drying:
        yield _dried(log, product, method, pieces)


def _frozen(product: MadeProduct, table: Freezing, pieces: Pieces) -> LogFinding:
    """The row of a table of freezing that is met, or the nearest to it."""
    curves = () if pieces.frozen is None else pieces.frozen.of("core" if table.core else "freezer")
    wild, name = carriers(), table.title
    if product.species_said and product.takes(wild.not_by_freezing, ()):
        kept = " and ".join(wild.not_by_freezing)
        return LogFinding(None, f"{name}: freezing does not kill what {kept} carry [{wild.source}]", table)
    if not curves or (table.thickest_cm is not None and pieces.thick_cm is None):
        lacks = "--thick-cm" if curves else f"a freezing log with {'core' if table.core else 'freezer'} temperatures"
        return LogFinding(None, f"{name}: not judged, {lacks} missing", table)
    if table.thickest_cm is not None and (pieces.thick_cm or 0) > table.thickest_cm:
        return LogFinding(None, f"{name}: the pieces are thicker", table)
    found = [LogFinding(False, f"{name}: no row met", table)]
    warmest = coldest([curve.turned for curve in curves])
    for at, needed in table.rows.items():
        time = warmest.held(-fahrenheit(at, table.unit) + pieces.error, pieces.gap or FREEZER_GAP)
        words = f"{name}: {trimmed(at)} {table.unit} or colder for {spell(time, needed)}, {spell(needed)} asked"
        found.append(LogFinding(time >= needed, words, table, time / needed))
    return max(found, key=lambda finding: finding.near)


def _dried(log: Log, product: MadeProduct, method: Drying, pieces: Pieces) -> LogFinding:
    """Salt, pieces and diameter as asked, then the steps in their order in the log, from its first reading."""
    salt, name = product.salt_pct(method.salt_of), method.title
    given = {"--batch and --lots": salt, "--diameter-mm": pieces.diameter_mm, "--piece-mm": pieces.piece_mm,
             "a log of the room": log.of("chamber") or None}  # fmt: skip
    missing = [what for what, value in given.items() if value is None]
    if salt is None or pieces.diameter_mm is None or pieces.piece_mm is None or missing:
        return LogFinding(None, f"{name}: not judged, {', '.join(missing)} missing", method)
    inches = pieces.diameter_mm / 10 / CM_PER_IN
    size = next((d for d in method.diameters if inches <= d.up_to_in), None)
    least = min(method.more_pct, default=method.salt_pct)
    if size is None or pieces.piece_mm / 10 / CM_PER_IN > method.largest_piece_in or salt < least:
        widest = trimmed(method.diameters[-1].up_to_in, 3)
        asks = f"{trimmed(least, 3)} %, pieces to {trimmed(method.largest_piece_in)} in, casing to {widest} in asked"
        lacks_it = f"{name}: not for this product, which has {trimmed(salt, 2)} % of salt; it asks {asks}"
        return LogFinding(None, lacks_it, method)
    room, gap = coldest(log.of("chamber")), pieces.gap or ROOM_GAP
    warm = [room.held(at + pieces.error, gap) / 60 for at in method.warm_room_f]
    rows = method.less_pct.items()  # the best column and row that were kept; no figure between two
    less = [pct[k] for needed, pct in rows for k, hours in enumerate(warm) if hours >= needed]
    last = days_of(method, size, salt, max(less, default=ZERO)) * 24
    steps = [*((step.at_least, step.hours) for step in size.steps[:-1]), (size.steps[-1].at_least, last)]
    at: Fraction | None = ZERO
    for level, needed in steps:
        at = None if at is None else room.earned(level + pieces.error, at, needed * 60, gap)
    total = size.days_in_all or ZERO
    ok = at is not None and log.minutes >= total * DAY
    said = ", ".join(f"{trimmed(hours, 2)} h at {trimmed(level)} F" for level, hours in steps)
    words = f"{name}: {said}{f', {trimmed(total)} d in all' if total else ''} {'met' if ok else 'not met'}"
    return LogFinding(ok, words, method)


def days_of(method: Drying, size: Diameter, salt: Fraction, warm_pct: Fraction = ZERO) -> Fraction:
    """Days of the last step: fewer after a warm room (whole days rounded down), more for less salt (rounded up)."""
    days = size.steps[-1].hours / 24
    rows = [pct for pct in method.more_pct if pct <= salt < method.salt_pct]
    more = method.more_pct[max(rows)] if rows else ZERO
    return days - floor(days * warm_pct / PERCENT) + ceil(days * more / PERCENT)
