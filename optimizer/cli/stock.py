"""``trimwright stock`` and ``trimwright trace``: the ledger of one kitchen in one file."""

from __future__ import annotations

import hashlib
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli import shared
from optimizer.cli.shared import RecipeOption, Typed, argument, faults_on_stderr, figure, option

if TYPE_CHECKING:
    from optimizer.ledger import Document
    from optimizer.store.made import Made

stock = typer.Typer(
    help="Keep the stock in one file: what came, what went into which batch, what was sold.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
Ledger = Annotated[str, argument("LEDGER", "The ledger, such as stock.db.")]
Lot = Annotated[str, argument("LOT", "The lot, as typed.")]
Kg = Annotated[str, argument("KG", "Kilograms as held.")]
By = Annotated[str, option("INITIALS", "Who did it.")]
Paper = Annotated[Typed, option("NAME", "Its document, never used twice. Default: made up.", "--document")]
When = Annotated[Typed, option("TIME", "When, as 2026-11-25T06:10 or a day. Default: now.", "--at", "--date")]
From = Annotated[str, option("WHO", "Who sent it.", "--from")]
To = Annotated[str, option("WHO", "Who received it: name and address.", "--to")]
Why = Annotated[str, option("WORDS", "Why.", "--reason")]


@stock.command("new")
def new(ledger: Ledger) -> None:
    """Make an empty ledger."""
    with _recording():
        from optimizer.ledger import create

        create(ledger)
        sys.stdout.write(f"{ledger}: an empty ledger\n")


@stock.command("receive")
def receive(
    ledger: Ledger,
    lots: Annotated[str, argument("LOTS", "Lots table (CSV) of what came.")],
    by: By,
    supplier: From = "",
    document: Paper = None,
    at: When = None,
) -> None:
    """Take in every lot of a table; the same table is not taken twice."""
    with _recording():
        from constraints.document import read_text
        from optimizer.store.made import receive as take

        name = document or "receive " + hashlib.sha256(read_text(lots).encode()).hexdigest()[:16]
        found = take(ledger, lots, _document(name, "receive", by, at, supplier))
        sys.stdout.write(f"{found} lots received, document {name}\n")


@stock.command("count")
def count(ledger: Ledger, lot: Lot, kg: Kg, by: By, reason: Why = "", document: Paper = None, at: When = None) -> None:
    """Record what was counted of a lot; the difference is kept as unexplained."""
    with _recording():
        from constraints.numbers import trimmed
        from optimizer.ledger import count as counted

        held = figure(kg, "KG", zero=True) or Fraction(0)
        found = counted(ledger, _document(document, "count", by, at, "", reason), lot, held)
        sys.stdout.write(f"{lot}: {trimmed(found, 6)} kg against the ledger\n")


@stock.command("waste")
def waste(ledger: Ledger, lot: Lot, kg: Kg, by: By, reason: Why, document: Paper = None, at: When = None) -> None:
    """Take out what was thrown away."""
    _moved(ledger, "waste", lot, kg, -1, _document(document, "waste", by, at, "", reason))


@stock.command("sell")
def sell(ledger: Ledger, lot: Lot, kg: Kg, by: By, to: To, document: Paper = None, at: When = None) -> None:
    """Take out what was sold of a lot, or of a batch by its code."""
    paper, kilograms = _document(document, "sell", by, at, to), figure(kg, "KG") or Fraction(0)
    with _recording():
        from optimizer.store.made import sell as sold

        sold(ledger, lot, kilograms, paper)
        sys.stdout.write(f"recorded, document {paper.name}\n")


@stock.command("return")
def come_back(ledger: Ledger, lot: Lot, kg: Kg, by: By, sender: From, document: Paper = None, at: When = None) -> None:
    """Take in what came back."""
    _moved(ledger, "return", lot, kg, 1, _document(document, "return", by, at, sender))


@stock.command("pull")
def pull(
    ledger: Ledger,
    lot: Lot,
    kg: Kg,
    by: By,
    into: Annotated[str, option("CODE", "The batch it is for.")],
    document: Paper = None,
    at: When = None,
) -> None:
    """Take out what was pulled for a batch before it is made; make then takes only what is missing."""
    if not into.strip():
        raise typer.BadParameter("the batch's code must not be blank", param_hint="--into")
    with _recording():
        from optimizer.store.made import pull as pulled

        paper = _document(document, "pull", by, at)
        why = pulled(ledger, lot, figure(kg, "KG") or Fraction(0), into, paper)
        sys.stdout.write(f"recorded, document {paper.name}\n")
    if why:
        sys.stderr.write(f"HOLD IT: {lot} is {why} and may not go into {into}\n")
        raise typer.Exit(1)


OutKg = Annotated[Typed, option("KG", "Finished product weighed.")]
ReworkKg = Annotated[Typed, option("KG", "Kept to be worked in again.")]


@stock.command("make")
def make(
    ledger: Ledger,
    batch: Annotated[str, argument("BATCH", "What was weighed, as for check.")],
    recipe: RecipeOption,
    code: Annotated[str, option("CODE", "The batch's code, never used twice.")],
    by: By,
    out_kg: OutKg = None,
    rework_kg: ReworkKg = None,
    at: When = None,
    full: shared.Full = False,
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """Record a batch as weighed and judge it as check does; what may not be made is recorded as on hold.

    Its pulls leave the stock, product and rework come in, all at once.
    """
    product, rework = figure(out_kg, "--out-kg"), figure(rework_kg, "--rework-kg")
    with _recording():
        from optimizer.store.made import make as made

        found = made(ledger, batch, recipe, _document(code, "make", by, at), product, rework)
    _judged(found, code, full=full, json=json)


@stock.command("out")
def out(
    ledger: Ledger,
    code: Annotated[str, argument("CODE", "The batch.")],
    kg: Kg,
    recipe: RecipeOption,
    by: By,
    document: Paper = None,
    at: When = None,
) -> None:
    """Take in the finished product of a batch that was recorded before it came out."""
    with _recording():
        from optimizer.store.made import came_out

        paper = _document(document, "out", by, at)
        came_out(ledger, code, figure(kg, "KG") or Fraction(0), recipe, paper)
        sys.stdout.write(f"recorded, document {paper.name}\n")


@stock.command("correct")
def correct(
    ledger: Ledger,
    change: Annotated[str, argument("CHANGE", "What was put in: a table as for check, or the JSON of correct.")],
    recipe: RecipeOption,
    code: Annotated[str, option("CODE", "The batch that was put right.")],
    by: By,
    out_kg: OutKg = None,
    rework_kg: Annotated[
        Typed, option("KG", "Held back of it as it was before. Default: what the JSON of correct says.")
    ] = None,
    document: Paper = None,
    at: When = None,
    full: shared.Full = False,
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """Record what a batch was put right with, and judge the whole of it again."""
    product, rework = figure(out_kg, "--out-kg"), figure(rework_kg, "--rework-kg")
    with _recording():
        from constraints.document import read_text
        from optimizer.store.made import correct as corrected

        name = document or f"correct {code} {hashlib.sha256(read_text(change).encode()).hexdigest()[:16]}"
        found = corrected(ledger, change, recipe, code, _document(name, "correct", by, at), product, rework)
    _judged(found, code, full=full, json=json)


def _judged(found: Made, code: str, *, full: bool, json: bool) -> None:
    """What check says of a batch that is recorded, and its exit code."""
    from optimizer.pages.check_page import check_page, verdict
    from optimizer.pages.record import document

    told = f"batch {code} recorded" + (f" as on hold: {found.hold}" if found.hold else "")
    sys.stderr.write(f"{told}{'; ' * bool(found.odd)}{found.odd}\n")
    sys.stdout.write(document("check", found.report) if json else check_page(found.report, full=full))
    raise typer.Exit(verdict(found.report).grade.exit_code)


@stock.command("test")
def analysed(
    ledger: Ledger,
    name: Annotated[str, argument("LOT|BATCH", "The lot, or the batch by its code.")],
    by: By,
    fat: Annotated[list[str], option("%", "Fat found of it as it is. Several readings: their mean.")],
    method: Annotated[
        Typed, option("NAME", "How: a method that trimwright columns lists, or the recipe's own.")
    ] = None,
    fat_sd_pct: Annotated[Typed, option("POINTS", "Instead: standard deviation of one reading.")] = None,
    recipe: Annotated[Typed, option("RECIPE", "Of a batch with additions: its recipe.", "--recipe")] = None,
    document: Paper = None,
    at: When = None,
) -> None:
    """Record a test of a lot or a batch; what all tests say of each lot's fat is what later blends reckon with."""
    readings, sd = [figure(text, "--fat", zero=True) for text in fat], figure(fat_sd_pct, "--fat-sd-pct")
    if (method is None) is (sd is None):
        raise typer.BadParameter("say --method or --fat-sd-pct, one of them")
    with _recording():
        from optimizer.mass import measured, own_methods
        from optimizer.reading.recipe import read_recipe
        from optimizer.store.made import analysed as recorded
        from optimizer.store.pages import taught_page

        own = own_methods(read_recipe(recipe)) if recipe else ()
        found = measured([one for one in readings if one is not None], None, None, sd, method or "", own)
        assert found.fat is not None and found.sd is not None
        recorded(ledger, name, found.fat, found.sd, recipe, _document(document, "test", by, at))
        sys.stdout.write(taught_page(ledger))


@stock.command("reverse")
def reverse(ledger: Ledger, wrong: Annotated[str, typer.Argument(metavar="DOCUMENT")], by: By, reason: Why) -> None:
    """Take a document back by lines of its own; nothing is ever rewritten."""
    with _recording():
        from optimizer.ledger import reverse as taken_back

        found = taken_back(ledger, wrong, _document(f"reverse {wrong}", "reverse", by, None, "", reason))
        sys.stdout.write(f"{found} movements of {wrong} reversed\n")


@stock.command("show")
def show(
    ledger: Ledger,
    date: shared.Day = None,
    html: shared.Html = None,
    full: shared.Full = False,
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """Every lot and what is left of it, what is on hold or past its day, and with --full what tests say of it."""
    shared.outputs({"--html": html}, (ledger,))
    on = shared.day(date, "--date")
    with _recording():
        from optimizer.pages.record import document
        from optimizer.store.pages import stock_html, stock_page, stock_rows

        rows = stock_rows(ledger, on)
    if html is not None:
        shared.write_text(html, stock_html(rows, on), "--html")
    sys.stdout.write(document("stock", {"date": on, "lots": rows}) if json else stock_page(rows, full=full))


@stock.command("export")
def export(ledger: Ledger) -> None:
    """The lots that are there as a lots table, every cell as it was typed."""
    with _recording():
        from optimizer.reading.stocked import exported

        sys.stdout.write(exported(ledger))


@stock.command("backup")
def backup(ledger: Ledger, to: Annotated[str, argument("FILE", "A file that is not there.")]) -> None:
    """Copy the ledger, whole, while others may be recording."""
    with _recording():
        from optimizer.ledger import backup as copied

        copied(ledger, to)


def trace(
    ledger: Ledger,
    name: Annotated[str, argument("LOT|BATCH", "A lot, or a batch by its code.")],
    back: Annotated[
        bool | None,
        typer.Option("--back/--forward", help="Where it came from, or went. Default: a lot forward, a batch back."),
    ] = None,
    html: shared.Html = None,
    full: shared.Full = False,
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """Say which batches a lot went into and who received them, or what a batch was made of and who supplied it."""
    shared.outputs({"--html": html}, (ledger,))
    with _recording():
        from optimizer.pages.record import document
        from optimizer.store.pages import picture as drawn
        from optimizer.store.pages import trace_page
        from optimizer.store.stock_json import Followed
        from optimizer.store.trace import trace as followed

        begun = time.perf_counter()
        found = followed(ledger, name, back)
        seconds = time.perf_counter() - begun
    if html is not None:
        shared.write_text(html, drawn(found), "--html")
    text = document("trace", Followed(found, seconds)) if json else trace_page(found, seconds, full=full)
    sys.stdout.write(text)


@contextmanager
def _recording() -> Iterator[None]:
    """Faults of files on standard error, and what could not be recorded, with exit code 2."""
    from optimizer.ledger import NotRecorded

    try:
        with faults_on_stderr():
            yield
    except NotRecorded as error:
        sys.stderr.write(f"{error}\n")
        raise typer.Exit(shared.BAD_INPUT) from None


def _document(name: str | None, kind: str, by: str, at: str | None, party: str = "", reason: str = "") -> Document:
    from optimizer.ledger import Document

    try:
        moment = datetime.now() if at is None else datetime.fromisoformat(at)
    except ValueError:
        raise typer.BadParameter(f"{at!r} is no time as 2026-11-25T06:10", param_hint="--at") from None
    asked = {"sell": party, "return": party, "waste": reason, "reverse": reason}
    if not all(text.strip() for text in (by, "-" if name is None else name, asked.get(kind, "-"))):
        raise typer.BadParameter("initials, document, who and reason must not be blank")
    when = moment.astimezone().isoformat(timespec="seconds")
    return Document(name or f"{kind} {time.time_ns()}", when, by.strip(), party, reason)


def _moved(ledger: str, kind: str, lot: str, kg: str, sign: int, document: Document) -> None:
    kilograms = sign * (figure(kg, "KG") or Fraction(0))
    with _recording():
        from optimizer.ledger import Movement, record

        record(ledger, kind, document, [Movement(kind, lot, kilograms)])
        sys.stdout.write(f"recorded, document {document.name}\n")
