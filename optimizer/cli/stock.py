"""``trimwright stock`` and ``trimwright trace``: the ledger of one kitchen in one file."""

from __future__ import annotations

import datetime
import hashlib
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer import ledger as books
from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, number, option, optional

if TYPE_CHECKING:
    from optimizer.store.made import Recorded

stock = typer.Typer(
    help="Keep the stock in one file: what came, what went into which batch, what was sold.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
Ledger = Annotated[str, argument("LEDGER", "The ledger, such as stock.db.")]
Lot = Annotated[str, argument("LOT", "The lot, as typed.")]
Kg = Annotated[Fraction, argument("KG", "Kilograms as held.", parser=shared.positive)]
By = Annotated[str, option("INITIALS", "Who did it.")]
From = Annotated[str, option("WHO", "Who sent it.", "--from")]
Why = Annotated[str, option("WORDS", "Why.", "--reason")]
To = Annotated[str, option("WHO", "Who received it: name and address.", "--to")]
Into = Annotated[str, option("CODE", "The batch it is for.")]
Came = Annotated[str, argument("LOTS", "Lots table (CSV) of what came.")]
Code = Annotated[str, argument("CODE", "The batch.")]
CountedKg = Annotated[Fraction, argument("KG", "Kilograms as held.", parser=shared.not_negative)]
OutKg = Annotated[Figure, option("KG", "Finished product weighed.", parser=shared.positive)]


def moment(text: str) -> datetime.datetime:
    """A time or a day. A usage error where it is neither."""
    try:
        return datetime.datetime.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no time as 2026-11-25T06:10") from None


@dataclass(frozen=True)
class Signed:
    """Who did it, and when."""

    by: By
    at: datetime.datetime | None = optional(
        "TIME", "When, as 2026-11-25T06:10 or a day. Default: now.", "--at", "--date", parser=moment
    )

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

    document: Typed = optional("NAME", "Its document, never used twice. Default: made up.")


def action(name: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """A command that records or reads: what it could not do goes to standard error, with exit code 2."""
    return lambda run: stock.command(name)(shared.flat(recording()(run)))


@contextmanager
def recording() -> Iterator[None]:
    """Faults of files on standard error, and what could not be recorded, with exit code 2."""
    try:
        with shared.faults_on_stderr():
            yield
    except books.NotRecorded as error:
        sys.stderr.write(f"{error}\n")
        raise typer.Exit(shared.BAD_INPUT) from None


def recorded(document: books.Recording) -> None:
    """Say that it is done."""
    sys.stdout.write(f"recorded, document {document.name}\n")


def digest(path: str) -> str:
    """What a file holds, in sixteen letters: the same twice is told by it."""
    from constraints.document import read_text

    return hashlib.sha256(read_text(path).encode()).hexdigest()[:16]


@action("new")
def new(ledger: Ledger) -> None:
    """Make an empty ledger."""
    books.create(ledger)
    sys.stdout.write(f"{ledger}: an empty ledger\n")


@action("receive")
def receive(ledger: Ledger, lots: Came, signed: Papered, supplier: From = "") -> None:
    """Take in every lot of a table; the same table is not taken twice."""
    from optimizer.store.made import receive as take

    document = signed.paper("receive", signed.document or f"receive {digest(lots)}", supplier)
    sys.stdout.write(f"{take(ledger, lots, document)} lots received, document {document.name}\n")


@action("count")
def count(ledger: Ledger, lot: Lot, kg: CountedKg, signed: Papered, reason: Why = "") -> None:
    """Record what was counted of a lot; the difference is kept as unexplained."""
    from constraints.numbers import trimmed

    found = books.count(ledger, signed.paper("count", signed.document, "", reason), lot, kg)
    sys.stdout.write(f"{lot}: {trimmed(found, 6)} kg against the ledger\n")


@action("waste")
def waste(ledger: Ledger, lot: Lot, kg: Kg, signed: Papered, reason: Why) -> None:
    """Take out what was thrown away."""
    _moved(ledger, "waste", lot, -kg, signed.paper("waste", signed.document, "", reason))


@action("sell")
def sell(ledger: Ledger, lot: Lot, kg: Kg, signed: Papered, to: To) -> None:
    """Take out what was sold of a lot, or of a batch by its code."""
    from optimizer.store.made import sell as sold

    document = signed.paper("sell", signed.document, to)
    sold(ledger, lot, kg, document)
    recorded(document)


@action("return")
def come_back(ledger: Ledger, lot: Lot, kg: Kg, signed: Papered, sender: From) -> None:
    """Take in what came back."""
    _moved(ledger, "return", lot, kg, signed.paper("return", signed.document, sender))


def _moved(ledger: str, kind: str, lot: str, kg: Fraction, document: books.Recording) -> None:
    books.record(ledger, kind, document, [books.Movement(kind, lot, kg)])
    recorded(document)


@action("pull")
def pull(ledger: Ledger, lot: Lot, kg: Kg, signed: Papered, into: Into) -> None:
    """Take out what was pulled for a batch before it is made; make then takes only what is missing."""
    from optimizer.store.made import pull as pulled

    if not into.strip():
        raise typer.BadParameter("the batch's code must not be blank", param_hint="--into")
    document = signed.paper("pull", signed.document)
    why = pulled(ledger, lot, kg, into, document)
    recorded(document)
    if why:
        sys.stderr.write(f"HOLD IT: {lot} is {why} and may not go into {into}\n")
        raise typer.Exit(1)


@action("make")
def make(
    ledger: Ledger,
    batch: Annotated[str, argument("BATCH", "What was weighed, as for check.")],
    recipe: shared.RecipeOption,
    code: Annotated[str, option("CODE", "The batch's code, never used twice.")],
    signed: Signed,
    shown: shared.Shown,
    out_kg: OutKg = None,
    rework_kg: Figure = number("KG", "Kept to be worked in again."),
) -> None:
    """Record a batch as weighed and judge it as check does; what may not be made is recorded as on hold.

    Its pulls leave the stock, product and rework come in, all at once.
    """
    from optimizer.store.made import make as made

    _judged(made(ledger, batch, recipe, signed.paper("make", code), out_kg, rework_kg), code, shown)


@action("out")
def out(ledger: Ledger, code: Code, kg: Kg, recipe: shared.RecipeOption, signed: Papered) -> None:
    """Take in the finished product of a batch that was recorded before it came out."""
    from optimizer.store.made import came_out

    document = signed.paper("out", signed.document)
    came_out(ledger, code, kg, recipe, document)
    recorded(document)


@action("correct")
def correct(
    ledger: Ledger,
    change: Annotated[str, argument("CHANGE", "What was put in: a table as for check, or the JSON of correct.")],
    recipe: shared.RecipeOption,
    code: Annotated[str, option("CODE", "The batch that was put right.")],
    signed: Papered,
    shown: shared.Shown,
    out_kg: OutKg = None,
    rework_kg: Figure = number("KG", "Held back of it as it was before. Default: what the JSON of correct says."),
) -> None:
    """Record what a batch was put right with, and judge the whole of it again."""
    from optimizer.store.made import correct as corrected

    document = signed.paper("correct", signed.document or f"correct {code} {digest(change)}")
    _judged(corrected(ledger, change, recipe, code, document, out_kg, rework_kg), code, shown)


def _judged(found: Recorded, code: str, shown: shared.Shown) -> None:
    """What check says of a batch that is recorded, and its exit code."""
    from optimizer.pages.check_page import check_page, verdict
    from optimizer.record import document

    told = f"batch {code} recorded" + (f" as on hold: {found.hold}" if found.hold else "")
    sys.stderr.write(f"{told}{'; ' * bool(found.odd)}{found.odd}\n")
    sys.stdout.write(document("check", found.report) if shown.json else check_page(found.report, full=shown.full))
    raise typer.Exit(verdict(found.report).grade.exit_code)


@action("test")
def analysed(
    ledger: Ledger,
    name: Annotated[str, argument("LOT|BATCH", "The lot, or the batch by its code.")],
    signed: Papered,
    fat: Annotated[
        list[Fraction],
        option("%", "Fat found of it as it is. Several readings: their mean.", parser=shared.not_negative),
    ],
    method: Typed = optional("NAME", "How: a method that trimwright columns lists, or the recipe's own."),
    fat_sd_pct: Figure = number("POINTS", "Instead: standard deviation of one reading."),
    recipe: Typed = optional("RECIPE", "Of a batch with additions: its recipe.", "--recipe"),
) -> None:
    """Record a test of a lot or a batch; what all tests say of each lot's fat is what later blends reckon with."""
    from optimizer.mass import measured, own_methods
    from optimizer.reading.recipe import read_recipe
    from optimizer.store.made import analysed as learnt
    from optimizer.store.pages import taught_page

    if (method is None) is (fat_sd_pct is None):
        raise typer.BadParameter("say --method or --fat-sd-pct, one of them")
    found = measured(fat, None, None, fat_sd_pct, method or "", own_methods(read_recipe(recipe)) if recipe else ())
    assert found.fat is not None and found.sd is not None
    learnt(ledger, name, found.fat, found.sd, recipe, signed.paper("test", signed.document))
    sys.stdout.write(taught_page(ledger))


@action("reverse")
def reverse(ledger: Ledger, wrong: Annotated[str, typer.Argument(metavar="DOCUMENT")], by: By, reason: Why) -> None:
    """Take a document back by lines of its own; nothing is ever rewritten."""
    found = books.reverse(ledger, wrong, Signed(by, None).paper("reverse", f"reverse {wrong}", "", reason))
    sys.stdout.write(f"{found} movements of {wrong} reversed\n")


@action("show")
def show(ledger: Ledger, shown: shared.Shown, date: shared.Day = None, html: shared.Html = None) -> None:
    """Every lot and what is left of it, what is on hold or past its day, and with --full what tests say of it."""
    from optimizer.record import document
    from optimizer.store.pages import stock_html, stock_page, stock_rows

    shared.outputs({"--html": html}, (ledger,))
    on = date or shared.today()
    rows = stock_rows(ledger, on)
    if html is not None:
        shared.write_text(html, stock_html(rows, on), "--html")
    sys.stdout.write(document("stock", {"date": on, "lots": rows}) if shown.json else stock_page(rows, full=shown.full))


@action("export")
def export(ledger: Ledger) -> None:
    """The lots that are there as a lots table, every cell as it was typed."""
    from optimizer.reading.stocked import exported

    sys.stdout.write(exported(ledger))


@action("backup")
def backup(ledger: Ledger, to: Annotated[str, argument("FILE", "A file that is not there.")]) -> None:
    """Copy the ledger, whole, while others may be recording."""
    books.backup(ledger, to)


@recording()
def trace(
    ledger: Ledger,
    name: Annotated[str, argument("LOT|BATCH", "A lot, or a batch by its code.")],
    shown: shared.Shown,
    back: bool | None = optional(
        None, "Where it came from, or went. Default: a lot forward, a batch back.", "--back/--forward"
    ),
    html: shared.Html = None,
) -> None:
    """Say which batches a lot went into and who received them, or what a batch was made of and who supplied it."""
    from optimizer.record import document
    from optimizer.store.pages import picture, trace_page
    from optimizer.store.trace import trace as followed

    shared.outputs({"--html": html}, (ledger,))
    found = followed(ledger, name, back)
    if html is not None:
        shared.write_text(html, picture(found), "--html")
    sys.stdout.write(document("trace", found) if shown.json else trace_page(found, full=shown.full))
