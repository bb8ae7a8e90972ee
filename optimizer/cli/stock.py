"""``trimwright stock`` and ``trimwright trace``: the ledger of one kitchen in one file."""

from __future__ import annotations

import datetime
import hashlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.judging import checked
from optimizer.cli.shared import Figure, Said, Typed
from optimizer.late import late

with late():
    from constraints import as_typed, document as files
    from optimizer import correction, ledger as books
    from optimizer.reading import lots as tables, recipe as recipes
    from optimizer.store import made, pages

_ABOUT = "Keep the stock in one file: what came, what went into which batch, what was sold."
stock = typer.Typer(help=_ABOUT, no_args_is_help=True, add_completion=False, rich_markup_mode=None)
Kg = Annotated[Fraction, {"parser": shared.positive}]
CountedKg = Annotated[Fraction, {"parser": shared.not_negative}]


def moment(text: str) -> datetime.datetime:
    """A time or a day. A usage error where it is neither."""
    try:
        return datetime.datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no time as 2026-11-25T06:10") from None


@dataclass(frozen=True)
class Signed:
    """Who did it, and when."""

    by: str
    at: Annotated[datetime.datetime | None, {"parser": moment}] = None

    def paper(self, kind: str, name: str | None, party: str = "", reason: str = "") -> books.Recording:
        """The document of what is recorded. A usage error where something it must say is blank."""
        must = {"sell": party, "return": party, "waste": reason, "reverse": reason}.get(kind, "-")
        if not all(text.strip() for text in (self.by, "-" if name is None else name, must)):
            raise typer.BadParameter("initials, document, who and reason must not be blank")
        when = (self.at or datetime.datetime.now()).astimezone().isoformat(timespec="seconds")
        return books.Recording(name or f"{kind} {time.time_ns()}", when, self.by.strip(), party, reason)


@dataclass(frozen=True)
class Papered(Signed):
    """The same with a document that has a name of its own."""

    document: Typed = None


def recorded(document: books.Recording) -> str:
    """That it is done."""
    return f"recorded, document {document.name}\n"


def digest(path: str) -> str:
    """What a file holds, in sixteen letters: the same twice is told by it."""
    return hashlib.sha256(files.read_text(path).encode()).hexdigest()[:16]


def new(ledger: str) -> Said:
    """Make an empty ledger."""
    books.create(ledger)
    return f"{ledger}: an empty ledger\n"


def receive(ledger: str, lots: str, signed: Papered, supplier: str = "") -> Said:
    """Take in every lot of a table; the same table is not taken twice."""
    document = signed.paper("receive", signed.document or f"receive {digest(lots)}", supplier)
    return f"{made.receive(ledger, lots, document)} lots received, document {document.name}\n"


def count(ledger: str, lot: str, kg: CountedKg, signed: Papered, reason: str = "") -> Said:
    """Record what was counted of a lot; the difference is kept as unexplained."""
    found = books.count(ledger, signed.paper("count", signed.document, "", reason), lot, kg)
    return f"{lot}: {as_typed.trimmed(found, 6)} kg against the ledger\n"


def waste(ledger: str, lot: str, kg: Kg, signed: Papered, reason: str) -> Said:
    """Take out what was thrown away."""
    return _moved(ledger, lot, -kg, "waste", signed.paper("waste", signed.document, "", reason))


def sell(ledger: str, lot: str, kg: Kg, signed: Papered, to: str) -> Said:
    """Take out what was sold of a lot, or of a batch by its code."""
    document = signed.paper("sell", signed.document, to)
    made.sell(ledger, lot, kg, document)
    return recorded(document)


def come_back(ledger: str, lot: str, kg: Kg, signed: Papered, sender: str) -> Said:
    """Take in what came back."""
    return _moved(ledger, lot, kg, "return", signed.paper("return", signed.document, sender))


def _moved(ledger: str, lot: str, kg: Fraction, kind: str, document: books.Recording) -> str:
    books.record(ledger, kind, document, [books.Movement(kind, lot, kg)])
    return recorded(document)


def pull(ledger: str, lot: str, kg: Kg, signed: Papered, into: str) -> Said:
    """Take out what was pulled for a batch before it is made; make then takes only what is missing."""
    shared.misused(not into.strip(), "the batch's code must not be blank", "--into")
    document = signed.paper("pull", signed.document)
    why = made.pull(ledger, lot, kg, into, document)
    if why:
        sys.stderr.write(f"HOLD IT: {lot} is {why} and may not go into {into}\n")
    return recorded(document), shared.NO_BATCH if why else 0


def make(
    ledger: str, batch: str, recipe: str, code: str, signed: Signed, shown: shared.Shown, out_kg: Figure = None,
    rework_kg: Figure = None,
) -> Said:  # fmt: skip
    """Record a batch as weighed and judge it as check does; what may not be made is recorded as on hold.

    Its pulls leave the stock, product and rework come in, all at once.
    """
    return _judged(made.make(ledger, batch, recipe, signed.paper("make", code), out_kg, rework_kg), code, shown)


def out(ledger: str, code: str, kg: Kg, recipe: str, signed: Papered) -> Said:
    """Take in the finished product of a batch that was recorded before it came out."""
    document = signed.paper("out", signed.document)
    made.came_out(ledger, code, kg, recipe, document)
    return recorded(document)


def correct(
    ledger: str, change: str, recipe: str, code: str, signed: Papered, shown: shared.Shown, out_kg: Figure = None,
    rework_kg: Figure = None,
) -> Said:  # fmt: skip
    """Record what a batch was put right with, and judge the whole of it again."""
    document = signed.paper("correct", signed.document or f"correct {code} {digest(change)}")
    return _judged(made.correct(ledger, change, recipe, code, document, out_kg, rework_kg), code, shown)


def _judged(found: made.Recorded, code: str, shown: shared.Shown) -> Said:
    """What check says of a batch that is recorded, and its exit code."""
    told = f"batch {code} recorded" + (f" as on hold: {found.hold}" if found.hold else "")
    sys.stderr.write(f"{told}{'; ' * bool(found.odd)}{found.odd}\n")
    return checked(found.report, shown)


def analysed(
    ledger: str, name: str, signed: Papered, fat: Annotated[list[Fraction], {"parser": shared.not_negative}],
    method: Typed = None, fat_sd_pct: Figure = None, recipe: Typed = None,
) -> Said:  # fmt: skip
    """Record a test of a lot or a batch; what all tests say of each lot's fat is what later blends reckon with."""
    shared.misused((method is None) is (fat_sd_pct is None), "say --method or --fat-sd-pct, one of them")
    read = recipes.read_recipe(recipe) if recipe else None
    found = correction.measured(fat, correction.MassMeasured(sd=fat_sd_pct, method=method or ""), read)
    assert found.fat is not None and found.sd is not None
    made.analysed(ledger, name, found.fat, found.sd, recipe, signed.paper("test", signed.document))
    return pages.taught_page(ledger)


def reverse(ledger: str, wrong: str, by: str, reason: str) -> Said:
    """Take a document back by lines of its own; nothing is ever rewritten."""
    found = books.reverse(ledger, wrong, Signed(by, None).paper("reverse", f"reverse {wrong}", "", reason))
    return f"{found} movements of {wrong} reversed\n"


def show(ledger: str, shown: shared.Shown, date: shared.Day = None, html: Typed = None) -> Said:
    """Every lot and what is left of it, what is on hold or past its day, and with --full what tests say of it."""
    shared.outputs({"--html": html}, (ledger,))
    return shown.said("stock", pages.stock_on(ledger, date or shared.today()), pages.stock_page, html, pages.stock_html)


def export(ledger: str) -> Said:
    """The lots that are there as a lots table, every cell as it was typed."""
    return tables.exported(ledger)


def backup(ledger: str, to: str) -> Said:
    """Copy the ledger, whole, while others may be recording."""
    books.backup(ledger, to)
    return ""


ACTIONS: dict[str, Callable[..., Said]] = {
    "new": new, "receive": receive, "count": count, "waste": waste, "sell": sell, "return": come_back, "pull": pull,
    "make": make, "out": out, "correct": correct, "test": analysed, "reverse": reverse, "show": show,
    "export": export, "backup": backup,
}  # fmt: skip
"""What is done with a ledger, by its command's name, in the order of the help."""
for _name, _run in ACTIONS.items():
    stock.command(_name)(shared.flat(_run, f"stock {_name}"))


def trace(ledger: str, name: str, shown: shared.Shown, back: bool | None = None, html: Typed = None) -> Said:
    """Say which batches a lot went into and who received them, or what a batch was made of and who supplied it."""
    shared.outputs({"--html": html}, (ledger,))
    return shown.said("trace", pages.trace(ledger, name, back), pages.trace_page, html, pages.picture)
