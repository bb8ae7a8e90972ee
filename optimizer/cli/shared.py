"""What the commands share: errors on stderr with their exit code, and figures and dates typed as options."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import date
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from constraints.faults import Fault
    from optimizer.order import Asked
    from optimizer.reading.entry import Units as Kind

BAD_INPUT = 2
NO_BATCH = 1
TIME_LIMIT = 3
WIDTH = 80
"""Columns of a message."""


Typed = str | None
"""An option as it was typed; None where it was not."""


def option(metavar: str | None, words: str, *names: str, **more: Any) -> Any:
    """An option with what stands for its value, what it does, and its names where they are not the parameter's."""
    return typer.Option(*names, metavar=metavar, help=words, **more)


def argument(metavar: str, words: str, **more: Any) -> Any:
    """An argument with what stands for it, and what it is."""
    return typer.Argument(metavar=metavar, help=words, **more)


@contextmanager
def faults_on_stderr() -> Iterator[None]:
    """Say every fault of the input on stderr, the count last, and exit with 2; nothing else is printed."""
    from constraints.faults import BadInput, Severity

    try:
        yield
    except BadInput as error:
        say(error.faults)
        errors = sum(fault.severity is Severity.ERROR for fault in error.faults)
        sys.stderr.write(f"{errors} error{'s' if errors != 1 else ''}; nothing was computed.\n")
        raise typer.Exit(BAD_INPUT) from None


@contextmanager
def only_trusted() -> Iterator[None]:
    """Say that there is no answer where the solver contradicts itself, and exit with 1."""
    from optimizer.solver.model import SolverDisagrees

    try:
        yield
    except SolverDisagrees as error:
        sys.stderr.write(f"no answer that can be trusted: {error}. Do not make.\n")
        raise typer.Exit(NO_BATCH) from None


def say(faults: Iterable[Fault]) -> None:
    """Print faults on stderr, each from a line of its own, the rest of a long one indented below it."""
    from textwrap import wrap  # paths and figures are not broken, whatever they take

    from optimizer.pages.tables import visible

    for fault in faults:
        lines = wrap(
            visible(str(fault)), WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
        )
        sys.stderr.write("\n".join(lines) + "\n")


def figure(text: str | None, option: str, *, zero: bool = False) -> Fraction | None:
    """A positive figure (or ``zero``) typed as an option. A usage error where it is no such plain decimal number."""
    from constraints.numbers import NotANumber, exact

    if text is None:
        return None
    try:
        value = exact(text)
    except NotANumber as error:
        raise typer.BadParameter(str(error), param_hint=option) from None
    if value < 0 or (value == 0 and not zero):
        raise typer.BadParameter(f"{text} is {'below' if zero else 'not above'} zero", param_hint=option)
    return value


def weighed(text: str | None, option: str) -> Callable[[Fraction, Fraction], Fraction] | None:
    """A weight or a share of the batch typed as an option. A usage error where it is neither."""
    from constraints.numbers import NotANumber, weight

    try:
        return None if text is None else weight(text)
    except NotANumber as error:
        raise typer.BadParameter(str(error), param_hint=option) from None


def within_time(text: str | None) -> AbstractContextManager[None]:
    """The command's time limit as typed, in seconds; within it a terminal is told of what takes long."""
    from optimizer.clock import command

    seconds = figure(text, "--time-limit")
    tell = (lambda what: sys.stderr.write(f"{what} ...\n")) if sys.stderr.isatty() else None
    return command(None if seconds is None else float(seconds), tell)


def _no_color(asked: bool) -> None:
    if asked:
        os.environ["NO_COLOR"] = "1"


MeatKg = Annotated[Typed, option("KG", "Size: kilograms of meat block; or a band, 20-25.")]
BatchKg = Annotated[Typed, option("KG", "Size: kilograms of whole batch.")]
MeatLb = Annotated[Typed, option("LB", "Size: pounds of meat block.")]
BatchLb = Annotated[Typed, option("LB", "Size: pounds of whole batch.")]
RecipeFile = Annotated[str, argument("RECIPE", "Recipe (YAML), or - for standard input.")]
RecipeOption = Annotated[str, option("RECIPE", "Recipe (YAML).", "--recipe")]
LotsFile = Annotated[str, option("LOTS", "Lots table (CSV) or ledger, or - for standard input.", "--lots")]
Day = Annotated[Typed, option("YYYY-MM-DD", "Day of the batch, for use-by dates and rules. Default: today.", "--date")]
NextChance = Annotated[
    Typed,
    option("YYYY-MM-DD", "Next day on which lots left over can be used; a lot that dies before it costs its salvage."),
]
WithinKg = Annotated[Typed, option("KG", "Tolerance on the size. Default: half a division of the meat scale.")]
MixerKg = Annotated[Typed, option("KG", "Largest mixer load, of whole batch. Default: the recipe's.")]
Prefer = Annotated[
    Typed,
    option("WISH", "Among near-cheapest batches the one with fewest-lots, most-dying or middle (of the fat band)."),
]
Premium = Annotated[Typed, option("%", "With --prefer: how much dearer. Default: 1; of a band, any.", "--premium-pct")]
SmallestPull = Annotated[
    Typed,
    option("KG|LB|%", "A lot used gives at least so much: 0.5, '1 lb', 1% of the batch; 0: any. Default: the recipe's, "
           "or about 1% and two divisions of the meat scale where that leaves a batch."),
]  # fmt: skip
SmallestRemnant = Annotated[
    Typed, option("KG|LB|%", "An opened lot is left with nothing or at least so much. Default: the same.")
]
TimeLimit = Annotated[Typed, option("SECONDS", "Take the best found by then.", "--time-limit")]
StopAfter = Annotated[Typed, option("SECONDS", "Stop after so long, exit 3.", "--time-limit")]
Units = Annotated[Typed, option("kg|lb", "What weights are said in. Default: the recipe's, or as typed.", "--units")]
Html = Annotated[Typed, option("FILE", "Write the pictures as an HTML page.", "--html", "--picture")]
Full = Annotated[bool, option(None, "Add everything else: every check with its source, figures behind.", "--full")]
Json = Annotated[bool, option(None, "Print one JSON document instead of the page.", "--json")]
NoColor = Annotated[
    bool, option(None, "No colours on a terminal; NO_COLOR does the same.", "--no-color", callback=_no_color)
]


def complete_pack(incomplete: str) -> list[str]:
    """Names of shipped rule packs, for the shell."""
    from constraints.library import shipped

    return [name for name in shipped() if name.startswith(incomplete)]


def complete_class(context: typer.Context, incomplete: str) -> list[str]:
    """Classes of the pack already typed, of all packs where none is known, for the shell."""
    from constraints.library import load_pack, shipped

    typed = [*context.args, context.params.get("pack")]
    packs = [name for name in shipped() if name in typed] or shipped()
    classes = {entry.id for name in packs for entry in load_pack(name).classes}
    return sorted(name for name in classes if name.startswith(incomplete))


def complete_judge(incomplete: str) -> list[str]:
    """PACK=CLASS, a part at a time, for the shell."""
    from constraints.library import load_pack, shipped

    pack, equals, start = incomplete.partition("=")
    if not equals:
        return complete_pack(pack)
    classes = load_pack(pack).classes if pack in shipped() else ()
    return [f"{pack}={entry.id}" for entry in classes if entry.id.startswith(start)]


def size_of(
    meat_kg: Typed, batch_kg: Typed, meat_lb: Typed, batch_lb: Typed
) -> tuple[tuple[str, Fraction], Fraction | None]:
    """The one size that was given, as its option and its figure, and what it may go up to, if it is a band.

    A usage error where it is none or several.
    """
    typed = {"--meat-kg": meat_kg, "--batch-kg": batch_kg, "--meat-lb": meat_lb, "--batch-lb": batch_lb}
    given = {option: text for option, text in typed.items() if text is not None}
    if len(given) != 1:
        raise typer.BadParameter("give the size of the batch by exactly one of " + ", ".join(typed))
    ((option, text),) = given.items()
    least, dash, most = text.strip().partition("-")
    if not least or not dash:
        return (option, figure(text, option) or Fraction(0)), None
    low, high = figure(least, option), figure(most, option)
    if low is None or high is None or low >= high:
        raise typer.BadParameter(f"{text} is no band of sizes, such as 20-25", param_hint=option)
    return (option, low), high


def units_of(text: str | None, option: str) -> Kind | None:
    """The unit typed for weights. A usage error where there is none such."""
    from optimizer.reading.entry import Units as Kind

    if text is not None and text not in set(Kind):
        raise typer.BadParameter("kg or lb", param_hint=option)
    return None if text is None else Kind(text)


def ordered(sizes: Sequence[Typed], on: Typed, **typed: Typed) -> tuple[str, Fraction, date, Asked]:
    """What is ordered, as typed: the size by its option, the day, and what else is said of it, each by its option."""
    from optimizer.order import Asked

    (size, figure_), to = size_of(*sizes)
    on_day = day(on, "--date")
    read: dict[str, Callable[[Typed, str], Any]] = {
        "smallest_pull": weighed,
        "smallest_remnant": weighed,
        "units": units_of,
    }
    read["next_chance"] = lambda text, option: later_day(text, on_day, option)
    said = {name: read.get(name, figure)(text, f"--{name.replace('_', '-')}") for name, text in typed.items()}
    return size, figure_, on_day, Asked(to=to, **{name.replace("_scale", ""): value for name, value in said.items()})


def premium_of(prefer: Typed, premium_pct: Typed) -> Fraction | None:
    """How much dearer a batch may be by a wish. A usage error where there is no wish."""
    if prefer is None and premium_pct is not None:
        raise typer.BadParameter("--premium-pct goes with --prefer")
    return figure(premium_pct, "--premium-pct")


def one_standard_input(*files: str | None) -> None:
    """A usage error where more than one file is to be read from standard input."""
    if files.count("-") > 1:
        raise typer.BadParameter("only one of the files can be standard input")


def day(text: str | None, option: str) -> date:
    """A date typed as an option, YYYY-MM-DD; today where none is given."""
    if text is None:
        return date.today()
    try:
        found = date.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.isoformat() != text:
        raise typer.BadParameter(f"{text!r} is not a date as YYYY-MM-DD", param_hint=option)
    return found


def later_day(text: str | None, start: date, option: str) -> date | None:
    """A date typed as an option that must lie after ``start``; None where none is given."""
    if text is None:
        return None
    found = day(text, option)
    if found <= start:
        raise typer.BadParameter(f"{text} is not after {start.isoformat()}", param_hint=option)
    return found


def outputs(wanted: Mapping[str, str | None], inputs: Sequence[str | None] = ()) -> None:
    """A usage error where a file asked for by an option cannot be written, is read too, or is asked for twice.

    Found before anything is computed; nothing is created, and what stands in a file stays there.
    """
    from optimizer.ledger import is_ledger

    seen: dict[str, str] = {}
    read = [os.path.realpath(path) for path in inputs if path not in (None, "-")]
    for option, path in wanted.items():
        if path is None:
            continue
        real = os.path.realpath(path)
        if not path or os.path.isdir(path):
            why = "it is a folder" if path else "it has no name"
        elif real in read and os.path.isfile(real):
            why = "it is read by this very command"
        elif real in seen and (os.path.isfile(real) or not os.path.exists(real)):
            why = f"{seen[real]} is written there"
        else:
            why = _hindrance(path) or ("it is a ledger" if is_ledger(path) else "")
        seen[real] = option
        if why:
            raise typer.BadParameter(f"{path} cannot be written: {why}", param_hint=option)


def _hindrance(path: str) -> str:
    """Why a file cannot be written, or nothing; a pipe or a device is left alone."""
    folder = os.path.dirname(path) or "."
    if os.path.isfile(path):
        try:
            with open(path, "ab"):
                return ""
        except OSError as error:
            return error.strerror or "it is no file"
    if os.path.exists(path):
        return ""
    if not os.path.isdir(folder):
        return f"there is no folder {folder}"
    return "" if os.access(folder, os.W_OK | os.X_OK) else f"nothing may be written in {folder}"


def not_written(wanted: Mapping[str, str | None], why: str) -> None:
    """Say of every file asked for that it was not written, and that what stands there is of another time."""
    for option, path in wanted.items():
        if path is not None:
            old = "; what stands there is of an earlier run and is not to be used" if os.path.isfile(path) else ""
            sys.stderr.write(f"{option} {path}: not written, for {why}{old}\n")


def write_text(path: str, text: str, option: str) -> None:
    """Write a file asked for by an option. A usage error where it cannot be written."""
    try:
        with open(path, "w", encoding="utf-8", newline="") as file:
            file.write(text)
    except OSError as error:
        raise typer.BadParameter(f"{path} cannot be written: {error.strerror}", param_hint=option) from None
