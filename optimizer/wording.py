"""The words that come back: headings, verdicts, the caution and other sentences said in more than one place.

One word per thing, everywhere: in commands, options, keys, headings and errors. ``trimwright terms`` prints TERMS.
"""

from __future__ import annotations

from datetime import date

CAUTION = (
    "Cure is poisonous in excess: weigh it on a scale fine enough, have a second person check it, and keep it "
    "apart and labelled. Cook and cool by your local code, and declare allergens. trimwright computes; you, your "
    "authority and licensed practice decide."
)
"""On every page, document and picture that names a cure or a batch."""

TAKE, WEIGH, COMES_OUT, WATCH = "TAKE", "WEIGH", "COMES OUT", "WATCH"
HEADINGS = (TAKE, WEIGH, COMES_OUT, WATCH)
"""The page of a batch in the order of its reader's questions."""
NO_WEIGH_OUT = "Nothing is weighed out."
FULL = "Every check and its source: --full"
FULL_WHY = "How far each price holds, every margin and every way out: --full"
WOULD_DO = "what would do, the cheapest first"
ASK_WHY = "More ways, and what each costs: run trimwright why with the same words."
TIDY_WEEK = (
    "By default a lot in use gives about 1 % of a batch or more, and an opened lot keeps nothing or as much; off: "
    "smallest_pull: 0 and smallest_remnant: 0 in the week."
)
NOT_SMALLEST = "not shown to be the smallest such set"

TERMS = {
    "lot": "meat or fat in the cooler that you can tell apart: one line of the lots table",
    "offer": "meat or fat that a supplier would sell you: one line of the offers table",
    "recipe": "what a batch must be: limits, doses, casing, scales",
    "addition": "anything dosed that is not a lot: salt, cure, spice, water, liquid, inclusion",
    "inclusion": "pieces that stay pieces: cheese, nuts, fruit",
    "cure": "a salt that brings nitrite or nitrate, of the strength printed on its bag",
    "meat block": "the lots together, green weight; the whole batch is the meat block and all additions",
    "finished product": "what is left of the whole batch after cooking, smoking or drying: batch times yield",
    "as held": "with bone and rind, as it lies in the cooler",
    "net": "after bone and rind: what reaches the grinder",
    "load": "what goes into the mixer at once",
    "limit": "a smallest or largest figure, of the law, of the recipe, of the cooler or of the scales",
    "rule pack": "the limits of one place or one house, with their sources",
    "class": "what a product is sold as; a rule pack's limits depend on it",
    "ingoing": "weighed in, before anything reacts; what is left of it (residual) only a laboratory finds",
    "ppm": "milligrams in a kilogram",
    "smallest pull": "the least that a lot in use gives: smallest_pull, smallest_pull_kg; 0 for any",
    "smallest remnant": "the least that an opened lot keeps, if it keeps any: smallest_remnant; 0 for any",
    "value used": "what is paid, and the worth of the stock used, less that of what is bought and left",
    "division": "the smallest step of a scale",
    "pack": "a weight in which a lot or an offer comes and that is not opened: pack_kg",
    "price": "money a kilogram as held: cost_per_kg of a lot, an offer, an addition",
    "cost": "money of a lot, an order or a batch as a whole; cash is what is paid of it",
    "worth": "what a kilogram left over would fetch: salvage_per_kg, worth_after_per_kg",
    "on hand": "what lies in the cooler, as held: on_hand_kg; left is what lies there after, stock all of it",
    "what happened": "how a week went otherwise than planned, in a file of its own",
    "units": "kg or lb: what weights are said in",
    "record": "what --json prints; trimwright schema answer tells its keys",
    "dying": "past its use-by before there is another chance to use it",
    "proved": "shown in exact arithmetic: no batch within these limits can cost less",
    "holds": "is within its limits, measured again on what is weighed",
    "warns": "is outside a limit that does not forbid the batch",
    "needs a laboratory": "cannot be reckoned from what goes in",
    "do not make": "it can hurt somebody: nothing is weighed out",
    "hold": "it was made, and may not leave the house before it is checked again",
    "not lawful under this name": "a lawful food perhaps, but not of the class the recipe names",
    "not what the recipe asks": "lawful, and off a limit or a dose of your own",
    "not certain": "within the scales' tolerance a limit may be broken",
}
"""The glossary: what each word means here."""

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_words(day: date | None, beside: date | None = None) -> str:
    """A date as pages say it, in English whatever the machine's language; nothing for no date.

    ``Thu 26 Nov`` beside a day of the same year, ``Thu 26 Nov 2026`` otherwise.
    """
    if day is None:
        return ""
    year = "" if beside is not None and beside.year == day.year else f" {day.year}"
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}{year}"


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its word: ``1 lot``, ``3 lots``."""
    return f"{number} {one if number == 1 else many or one + 's'}"
