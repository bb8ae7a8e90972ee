"""The words that come back: headings, verdicts, the caution and other sentences said in more than one place.

One word per thing, everywhere: in commands, options, keys, headings and errors; ``terms.csv`` tells them.
"""

from datetime import date

CAUTION = (
    "Cure is poisonous in excess: weigh it on a scale fine enough, have a second person check it, and keep it "
    "apart and labelled. Cook and cool by your local code, and declare allergens. trimwright computes; you, your "
    "authority and licensed practice decide."
)
"""On every page, document and picture that names a cure or a batch."""

GAP = "\u00a0"
"""A blank within a figure; on the page it is a plain one."""
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
