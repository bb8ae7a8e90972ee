"""What can be wrong with a row of a lots table, and with all its rows: each check is one function to what it finds.

A suspicion is a legal figure that is probably a slip: it is warned of, and stays with the lot.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import partial
from statistics import median

from constraints.as_typed import KG_PER_LB, PERCENT, PPM, Fault, Severity, hidden, meant, nearest, trimmed, unprintable
from constraints.quantities import FAT, MOISTURE, NAMES, NITRATE, NITRITE, PROTEIN, SALT
from constraints.words import look_alikes, speaks_of_cured_lot
from optimizer.reading.table import COLUMNS, INSTEAD, NEEDED_OF_LOTS, OF_OFFERS, Column, Table

SUM_MOST = Fraction("102.5")
"""Most that fat, moisture and protein may add up to, percent: raw meats in USDA SR28 (2015) reach 102.03."""
SUM_LEAST = Fraction(95)
"""Least they should add up to, percent: unseasoned raw meats in USDA SR28 (2015) start at 95.04."""
LINE_AT_NO_FAT, LINE_PER_FAT, LINE_SD = Fraction("76.69"), Fraction("0.7657"), Fraction("1.28")
"""moisture = 76.69 - 0.7657 fat, residual sd 1.28, all percent: least squares over the 573 raw pork, beef,
lamb and veal rows of USDA SR28 (2015), fat 1.6 to 88.7."""
LINE_SPECIES = frozenset({"pork", "beef", "lamb", "veal"})
LINE_SDS_OFF = 5
"""Standard deviations off the line that are suspicious; common practice, no source. Of the 573 rows two are
further off, both offal."""
FAT_ROLE_LEAST = Fraction(30)
"""Least fat of a lot on the fat side, percent; common practice, no source."""
MEAT_ROLE_MOST = Fraction(75)
"""Most fat of a lot on the meat side, percent; common practice, no source."""
FRACTION_MOST = Fraction(1)
"""Fat at or below this may be a fraction in place of a percentage; common practice, no source."""
PRICE_TIMES = 20
"""Times above or below the table's median price that are suspicious; common practice, no source."""
STOCK_MOST = Fraction(10_000)
"""Stock of one lot above this is suspicious for batches of 5 to 500 kg, kg; common practice, no source."""
SALT_MOST = Fraction(15)
"""Salt in a lot above this is suspicious, percent; common practice, no source."""
NITRITE_MOST = Fraction(200)
"""Nitrite in a lot above this is suspicious, mg/kg; common practice, no source. Not a legal limit."""

TEXTS = ("material", "role", "species")
FLAGS = tuple(column.name for column in COLUMNS if column.unit == "yes/no")
_ABOVE_ZERO = frozenset({"pack_kg", "largest_pull_kg", "usable_pct", "green_pct"})
SD_MOST = Fraction(50)
"""Points: no figure between 0 and 100 has a larger standard deviation (Popoviciu's inequality, from memory)."""
MOST_DAYS = 3650
"""Most days of lead or of keeping: ten years; more is a slip."""
_MOST: dict[str, int | Fraction] = {"%": PERCENT, "mg/kg": PPM, "points": SD_MOST, "days": MOST_DAYS}
_ROLES = ("meat", "fat")
_SPECIES = tuple(name for names in NAMES.values() for name in names)
_YES_NO = {"": False, "no": False, "false": False, "0": False, "yes": True, "true": True, "1": True}


@dataclass(frozen=True)
class TableRow:
    """One row as read so far: ``typed`` holds every cell, the others what could be read of it.

    Figures carry their column's name and unit; those given by the pound are there by the kilogram, under that name.
    With ``commas`` the table's figures have decimal commas.
    """

    table: Table
    line: int
    typed: Mapping[str, str]
    figures: Mapping[str, Fraction]
    days: Mapping[str, date]
    commas: bool

    def fault(self, column: str, found: str, allowed: str, severity: Severity = Severity.ERROR) -> Fault:
        """A fault of this row; ``column`` may be the kilogram column where the row has pounds."""
        return self.table.fault(self.line, self.headed(column), found, allowed, severity)

    def headed(self, column: str) -> str:
        """The column that this row fills: the pound column where it stands in for the kilogram column."""
        twin = INSTEAD.get(column, column)
        return twin if twin in self.typed and not self.typed.get(column) else column

    def unit(self, column: str) -> tuple[str, Fraction]:
        """The unit of weight that this row fills a column by, and its kilograms."""
        return ("lb", KG_PER_LB) if self.headed(column).endswith("lb") else ("kg", Fraction(1))

    def said(self, column: str) -> str:
        """A figure with its column, as typed."""
        key = self.headed(column)
        return f"{self.table.spelt.get(key, key)} {self.typed[key]}"

    def says(self, flag: str) -> bool:
        """Whether a yes-or-no column says yes."""
        return says_yes(self.typed.get(flag, ""))


def says_yes(cell: str) -> bool:
    """Whether a cell of a yes-or-no column says yes."""
    return _YES_NO.get(cell.casefold(), False)


Told = Iterator[tuple[str, str, str]]
"""The column, a short sentence without an address, and what is allowed or usual."""
Check = Callable[[TableRow], Told]
Suspicion = Callable[[TableRow, Fraction | None, Fraction], Told]
"""A check that is told the table's median price and its fattest lot's fat, %."""


# Checks of one row.


def needed_cells(row: TableRow, names: Iterable[str] = NEEDED_OF_LOTS, what: str = "lot") -> Told:
    """The cells that must be filled and are not, under a column that the table has."""
    for name in names:
        if row.typed.get(row.headed(name)) == "":
            yield name, "this cell is blank", f"{OF_OFFERS[name].meaning.split(';')[0]}; every {what} states it"


def out_of_range(row: TableRow, known: Mapping[str, Column]) -> Told:
    """Stock, prices and ppm not below 0; packs, largest pulls and the usable share above 0; percentages up to 100."""
    for name, value in row.figures.items():
        column, typed = known.get(name), row.said(name).replace(" ", " is ", 1)
        if column is None:
            free = PERCENT if name.endswith("_pct") else PPM if name.endswith("_ppm") else None
            if free is not None and not 0 <= value <= free:
                yield name, typed, f"0 to {free}"
            continue
        most, above_zero, whole = _MOST.get(column.unit), name in _ABOVE_ZERO, column.unit == "days"
        too_low = (value < 0 and name != "salvage_per_kg") or (above_zero and value == 0)
        if too_low or (most is not None and value > most) or (whole and value.denominator != 1):
            low = "above 0" if above_zero else "a whole number, 0 or more" if whole else "0 or more"
            yield name, typed, low if most is None else f"{low}, at most {most}"


def printable(row: TableRow, names: Iterable[str] = ("lot", *TEXTS, "fat_method")) -> Told:
    """What is not seen as it stands could forge a line of the page, or make two names of one."""
    for name in names:
        typed = row.typed.get(name, "")
        if unprintable(typed):
            yield name, f"{typed!r} holds {hidden(typed)}", "a name as it is seen, on one line"


def _words_known(row: TableRow) -> Told:
    role = row.typed.get("role", "")
    if role and role not in _ROLES:
        like = nearest(role, _ROLES)
        yield "role", f"{role!r} is no role", f"write {like}" if like else "meat, fat or blank"
    for name in FLAGS:
        typed = row.typed.get(name, "")
        if typed.casefold() not in _YES_NO:
            yield name, f"{typed!r} is neither yes nor no", "yes, no, true, false, 1, 0 or blank"


_WHAT_IT_HOLDS = (
    ("cured", NITRITE, "mg/kg in the lot; 0 if there is none"),
    ("cured", NITRATE, "mg/kg in the lot; 0 if there is none"),
    ("rework", SALT, "salt in the rework, %"),
    ("rework", "green_pct", "share of its weight that was green meat, %"),
    ("rework", "original_nitrite_ppm", "nitrite put in then, mg/kg of its green meat; 0 if it was never cured"),
)
"""What a lot that is so marked must state: it brings salt and nitrite of its own, and rework is not all green meat."""


def _states_what_it_holds(row: TableRow) -> Told:
    for flag, name, meaning in _WHAT_IT_HOLDS:
        given = bool(row.typed.get(name))
        if row.says(flag) and not given:
            yield name, f"the lot is {flag} but {name} is not given", meaning
        if given and name in ("green_pct", "original_nitrite_ppm") and not row.says("rework"):
            yield name, f"{name} belongs to rework", "mark the lot as rework, or leave the cell blank"


def _cured_by_name(row: TableRow) -> Told:
    """A lot that reads like cured meat says whether it is: its nitrite would count as none."""
    if row.says("rework") or row.typed.get("cured") or row.typed.get(NITRITE):
        return
    for name in ("lot", "material"):
        typed = row.typed.get(name, "")
        if speaks_of_cured_lot(typed):
            found = f"{typed!r} reads like cured meat, and the table does not say whether it is"
            yield name, found, "cured: yes with nitrite_ppm and nitrate_ppm, or cured: no if it holds none"


def _contradicts(row: TableRow) -> Told:
    """Figures that cannot be together: more than a whole, days out of order, more nitrite left than was put in."""
    figures, received, use_by = row.figures, row.days.get("received"), row.days.get("use_by")
    given = {name: figures[name] for name in (FAT, MOISTURE, PROTEIN) if name in figures}
    if len(given) > 1 and (total := sum(given.values(), Fraction(0))) > SUM_MOST:
        allowed = f"at most {trimmed(SUM_MOST)}: raw meats in USDA SR28 reach 102.03"
        yield [*given][1], f"{' + '.join(given)} = {trimmed(total)}", allowed
    if received and use_by and use_by < received:
        yield "use_by", f"use_by {use_by} is before received {received}", "use_by on or after received"
    original, green = figures.get("original_nitrite_ppm"), figures.get("green_pct", Fraction(PERCENT)) / PERCENT
    found = figures.get(NITRITE, Fraction(0))
    if original is not None and found > original * green:
        put_in = f"into which only {trimmed(original * green, 2)} mg/kg was put"
        words = f"{trimmed(found)} mg/kg nitrite found in rework {put_in}"
        yield NITRITE, words, "at most original_nitrite_ppm times green_pct; correct the one that is wrong"


def _beyond(row: TableRow, pairs: Iterable[tuple[str, str]], allowed: str) -> Told:
    """Figures above another one of the row; one above the stock only where there is stock."""
    for smaller, larger in pairs:
        one, other = row.figures.get(smaller), row.figures.get(larger)
        if one is not None and other is not None and one > other and (other or larger != "on_hand_kg"):
            yield smaller, f"{row.said(smaller)} is more than {row.said(larger)}", allowed.format(row.headed(larger))


_PACKS_AND_PULLS = (
    ("smallest_pull_kg", "largest_pull_kg"), ("pack_kg", "on_hand_kg"),
    ("use_at_least_kg", "largest_pull_kg"), ("use_at_least_kg", "on_hand_kg"),
)  # fmt: skip
"""Packs, pulls and the lot's own floor against each other and against the stock."""
_UNUSABLE = ("pack_kg", "largest_pull_kg"), ("smallest_pull_kg", "on_hand_kg")
"""Packs and pulls for which the lot cannot be used at all."""


def _species_known(row: TableRow) -> Told:
    """A species that is close to one the rules know, and is none."""
    species = row.typed.get("species", "")
    if species and species.casefold() not in _SPECIES and (close := meant(species, _SPECIES)):
        yield "species", f"{species!r} is no species known here", close


ROW_CHECKS: tuple[Check, ...] = (
    needed_cells, printable, _words_known, _states_what_it_holds, _contradicts,
    _cured_by_name, partial(_beyond, pairs=_PACKS_AND_PULLS, allowed="at most {}"),
)  # fmt: skip
ROW_WARNINGS: tuple[Check, ...] = (
    _species_known,
    partial(_beyond, pairs=[("salvage_per_kg", "cost_per_kg")], allowed="worth more dead than alive: at most {}"),
    partial(_beyond, pairs=_UNUSABLE, allowed="the lot cannot be used: at most {}"),
)


# Checks of the whole table.


def _look_alikes(rows: Sequence[TableRow]) -> Iterator[Fault]:
    """Two lots whose names look the same and are not: a reader would pull the wrong one."""
    lines = {name: row for row in reversed(rows) if (name := row.typed.get("lot", ""))}
    for other, name in look_alikes(row.typed.get("lot", "") for row in rows):
        found = f"{name!r} looks like {other!r} on line {lines[other].line}, and is written with other letters"
        yield lines[name].fault("lot", found, "names that can be told apart")


def _names_once(rows: Sequence[TableRow]) -> Iterator[Fault]:
    """A lot that stands twice, and names alike but for case or blanks: two lots, or one material in two spellings."""
    for column in ("lot", "species", "material"):
        seen: dict[str, dict[str, int]] = defaultdict(dict)
        for row in rows:
            name = row.typed.get(column, "")
            alike = seen["".join(name.casefold().split())]
            if column == "lot" and name in alike:
                found = f"lot {name!r} stands on line {alike[name]} and again on line {row.line}"
                yield row.fault(column, found, "each lot on one line")
            elif name not in alike and alike:
                other, line = next(iter(alike.items()))
                found = f"{name!r} differs from {other!r} on line {line} only by case or blanks"
                yield row.fault(column, found, f"one spelling for one {column}", Severity.WARNING)
            if name:
                alike.setdefault(name, row.line)


def _fat_as_fractions(rows: Sequence[TableRow]) -> Iterator[Fault]:
    fats = [(row, fat) for row in rows if (fat := row.figures.get(FAT)) is not None]
    above_zero = [row for row, fat in fats if fat > 0]
    if above_zero and all(fat <= FRACTION_MOST for _, fat in fats):
        found = "every fat figure of the table is 1 or less: these look like fractions"
        yield above_zero[0].fault(FAT, found, "percent: 27, not 0.27")


TABLE_CHECKS = (_look_alikes, _names_once, _fat_as_fractions)


# Suspicions.


def usual_of(rows: Sequence[TableRow]) -> tuple[Fraction | None, Fraction]:
    """What the suspicions must know of all rows: the median price and the most fat."""
    prices = [price for row in rows if (price := row.figures.get("cost_per_kg")) is not None and price > 0]
    fats = [row.figures[FAT] for row in rows if FAT in row.figures]
    return median(prices) if prices else None, max(fats, default=Fraction(0))


def _odd_fat(row: TableRow, _: Fraction | None, most_fat: Fraction) -> Told:
    fat, typed, role = row.figures.get(FAT), row.figures.get("fat_as_typed_pct"), row.typed.get("role")
    if fat is None:
        return
    if typed is not None and typed != fat:
        yield FAT, f"fat {trimmed(fat, 2)} % by its tests, typed {trimmed(typed, 2)} %", "figures that agree"
    if 0 < fat <= FRACTION_MOST < most_fat:
        yield FAT, f"fat {trimmed(fat)} % may be a fraction", "percent: 27, not 0.27"
    if role == "fat" and fat < FAT_ROLE_LEAST:
        yield "role", f"the role is fat but the fat is only {trimmed(fat)} %", f"{trimmed(FAT_ROLE_LEAST)} % or more"
    if role == "meat" and fat > MEAT_ROLE_MOST:
        yield "role", f"the role is meat but the fat is {trimmed(fat)} %", f"{trimmed(MEAT_ROLE_MOST)} % or less"


def _odd_price(row: TableRow, usual: Fraction | None, _: Fraction) -> Told:
    price = row.figures.get("cost_per_kg")
    if price == 0:
        yield "cost_per_kg", "the price is 0", "0 only for trim that is free"
    elif price is not None and usual is not None and not usual / PRICE_TIMES <= price <= usual * PRICE_TIMES:
        way = f"more than {PRICE_TIMES} times" if price > usual else f"less than 1/{PRICE_TIMES} of"
        unit, kg = row.unit("cost_per_kg")
        words = f"the price {trimmed(price * kg, 2)} per {unit} is {way} the table's median {trimmed(usual * kg, 2)}"
        yield "cost_per_kg", words, "prices of one order"


def _fat_against_moisture(row: TableRow, _: Fraction | None, __: Fraction) -> Told:
    """Only for plain red meat: the line was not fitted to poultry, cured or salted meat."""
    fat, moisture = row.figures.get(FAT), row.figures.get(MOISTURE)
    plain = row.typed.get("species", "").casefold() in {"", *LINE_SPECIES} and not row.figures.get(SALT)
    if fat is None or moisture is None or not plain or row.says("cured"):
        return
    usual = LINE_AT_NO_FAT - LINE_PER_FAT * fat
    if abs(moisture - usual) > LINE_SDS_OFF * LINE_SD:
        words = f"fat and moisture do not agree: {trimmed(fat)} % fat with {trimmed(moisture)} % moisture"
        yield MOISTURE, words, f"about {trimmed(usual, 0)} % moisture in raw red meat of that fat (USDA SR28)"


def _sum_too_low(row: TableRow, _: Fraction | None, __: Fraction) -> Told:
    given = [row.figures[name] for name in (FAT, MOISTURE, PROTEIN) if name in row.figures]
    if len(given) == 3 and sum(given) < SUM_LEAST and not row.says("rework"):  # which holds salt, spice and ice
        words = f"fat, moisture and protein add up to only {trimmed(Fraction(sum(given)))} %"
        yield PROTEIN, words, f"{trimmed(SUM_LEAST)} % or more in raw meat"


_USUAL = {
    "on_hand_kg": (STOCK_MOST, "the stock is {} {}", "{} {} or less in one lot"),
    SALT: (SALT_MOST, "the lot has {} % salt", "{} % or less"),
    NITRITE: (NITRITE_MOST, "the lot has {} mg/kg nitrite", "{} mg/kg or less"),
}


def _too_much(row: TableRow, _: Fraction | None, __: Fraction) -> Told:
    for name, (most, found, usual) in _USUAL.items():
        value = row.figures.get(name)
        if value is not None and value > most:
            unit, kg = row.unit(name)
            yield name, found.format(trimmed(value / kg), unit), usual.format(trimmed(most / kg, 0), unit)


SUSPICIONS: tuple[Suspicion, ...] = (_odd_fat, _odd_price, _fat_against_moisture, _sum_too_low, _too_much)


def judged(rows: Sequence[TableRow]) -> tuple[list[Fault], list[tuple[str, ...]]]:
    """Every fault of a table's rows, and the suspicions that stay with each row's lot, in words."""
    found = []
    for severity, checks in ((Severity.ERROR, ROW_CHECKS), (Severity.WARNING, ROW_WARNINGS)):
        found += [row.fault(*told, severity) for row in rows for check in checks for told in check(row)]
    found += [fault for table_check in TABLE_CHECKS for fault in table_check(rows)]
    whole = usual_of(rows)
    suspicious = [(row, [told for check in SUSPICIONS for told in check(row, *whole)]) for row in rows]
    found += [row.fault(*one, Severity.WARNING) for row, told in suspicious for one in told]
    return found, [tuple(words for _, words, _ in told) for _, told in suspicious]
