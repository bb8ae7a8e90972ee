"""What the commands share: options read as they are typed, and errors on stderr with their exit code.

How an option is named and what is said of it stands in ``options.csv``; how it is read, in its annotation.
"""

from __future__ import annotations

import csv
import datetime
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, fields, is_dataclass
from fractions import Fraction
from functools import cache, partial
from inspect import Parameter, Signature, signature
from pathlib import Path
from textwrap import TextWrapper
from typing import Annotated, Any, NamedTuple, get_type_hints

import typer

from optimizer.late import late

with late():
    from constraints import as_typed, library
    from optimizer import clock, ledger, order as orders, record
    from optimizer.pages import tables
    from optimizer.reading import entry
    from optimizer.solver import program

BAD_INPUT = 2
NO_BATCH = 1
TIME_LIMIT = 3
WIDTH = 80
"""Columns of a message."""

Said = str | tuple[str, int]
"""What a command prints, with its exit code where that is not 0."""
Typed = str | None
"""An option as it was typed; None where it was not."""


@cache
def _told() -> dict[tuple[str, str], dict[str, str]]:
    """What is said of every option and argument, by who takes it (blank: all without their own row) and its name."""
    rows = csv.DictReader(Path(__file__).with_name("options.csv").read_text("utf-8").splitlines())
    return {(who, row["name"]): row for row in rows for who in row["where"].split("; ")}


def _taken(of: Callable[..., Any], *who: str) -> list[Parameter]:
    """What a command, or a group of options, takes: each as it is annotated, read, named and explained."""
    found, told = [], _told()
    hints = get_type_hints(of, include_extras=True)
    for name, one in signature(of).parameters.items():
        kind = hints[name]
        if not is_dataclass(kind):
            row = next(told[by, name] for by in (*who, "") if (by, name) in told)
            settings: dict[str, Any] = next(iter(getattr(kind, "__metadata__", ())), {})
            declared = partial(typer.Option, *row["names"].split()) if row["names"] else typer.Argument
            kind = Annotated[kind, declared(metavar=row["metavar"] or None, help=row["words"] or None, **settings)]
        found.append(one.replace(annotation=kind, kind=Parameter.KEYWORD_ONLY))
    return found


def flat(run: Callable[..., Said], name: str) -> Callable[..., None]:
    """A command of a name as the parser takes it: the fields of a parameter that is a dataclass are its options too.

    What it returns is printed, and ends the process.
    """
    own = _taken(run, name)
    groups: dict[str, Any] = {one.name: one.annotation for one in own if is_dataclass(one.annotation)}
    within = {group: _taken(kind, *(each.__name__ for each in kind.__mro__)) for group, kind in groups.items()}
    taken = [part for one in own for part in within.get(one.name, [one])]

    def command(**given: Any) -> None:
        made = {name: kind(**{one.name: given.pop(one.name) for one in fields(kind)}) for name, kind in groups.items()}
        with _refused():
            said = run(**given, **made)
        text, code = (said, 0) if isinstance(said, str) else said
        sys.stdout.write(text)
        raise typer.Exit(code)

    command.__name__, command.__doc__ = run.__name__, run.__doc__
    command.__signature__ = Signature(taken)  # type: ignore[attr-defined]
    command.__annotations__ = {one.name: one.annotation for one in taken}
    return command


@contextmanager
def _refused() -> Iterator[None]:
    """Say on stderr why there is no answer, and exit: 2 for what the input lacks or the ledger refuses, 1 where the
    solver contradicts itself. Every fault of the input is said, the count last.
    """
    try:
        yield
    except (typer.Exit, typer.BadParameter):
        raise
    except as_typed.BadInput as error:
        say(error.faults)
        errors = sum(fault.severity is as_typed.Severity.ERROR for fault in error.faults)
        told, code = f"{errors} error{'s' if errors != 1 else ''}; nothing was computed.", BAD_INPUT
    except ledger.NotRecorded as error:
        told, code = str(error), BAD_INPUT
    except program.SolverDisagrees as error:
        told, code = f"no answer that can be trusted: {error}. Do not make.", NO_BATCH
    else:
        return
    sys.stderr.write(f"{told}\n")
    raise typer.Exit(code)


def say(found: Iterable[as_typed.Fault]) -> None:
    """Print faults on stderr, each from a line of its own, the rest of a long one indented below it.

    Paths and figures are not broken, whatever they take.
    """
    lines = TextWrapper(WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
    for fault in found:
        sys.stderr.write(lines.fill(tables.visible(str(fault))) + "\n")


def within_time(seconds: Fraction | None) -> AbstractContextManager[None]:
    """The command's time limit; within it a terminal is told of what takes long."""
    tell = (lambda what: sys.stderr.write(f"{what} ...\n")) if sys.stderr.isatty() else None
    return clock.command(None if seconds is None else float(seconds), tell)


def positive(text: str) -> Fraction:
    """A figure above zero. A usage error where it is no such plain decimal number."""
    return _figure(text, zero=False)


def not_negative(text: str) -> Fraction:
    """A figure of zero or more. A usage error where it is no such plain decimal number."""
    return _figure(text, zero=True)


def misused(wrong: object, said: str, option: str | None = None) -> None:
    """A usage error where something is wrong, of an option or of the whole command."""
    if wrong:
        raise typer.BadParameter(said, param_hint=option)


def _figure(text: str, *, zero: bool) -> Fraction:
    try:
        value = as_typed.exact(text)
    except as_typed.NotANumber as error:
        raise typer.BadParameter(str(error)) from None
    misused(value < 0 or (value == 0 and not zero), f"{text} is {'below' if zero else 'not above'} zero")
    return value


class SizeBand(NamedTuple):
    """A size, and what it may go up to, if it is a band."""

    least: Fraction
    most: Fraction | None


def band(text: str) -> SizeBand:
    """A figure above zero, or two with a hyphen between. A usage error where it is neither."""
    least, hyphen, most = text.strip().partition("-")
    if not least or not hyphen:
        return SizeBand(positive(text), None)
    found = SizeBand(positive(least), positive(most))
    misused(found.most is not None and found.least >= found.most, f"{text} is no band of sizes, such as 20-25")
    return found


def weighed(text: str) -> Callable[[Fraction, Fraction], Fraction]:
    """A weight or a share of the batch. A usage error where it is neither."""
    try:
        return as_typed.weight(text)
    except as_typed.NotANumber as error:
        raise typer.BadParameter(str(error)) from None


def day(text: str) -> datetime.date:
    """A date, YYYY-MM-DD. A usage error where it is none."""
    try:
        found = datetime.date.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.isoformat() != text:
        raise typer.BadParameter(f"{text!r} is not a date as YYYY-MM-DD")
    return found


def today() -> datetime.date:
    """The day of a batch for which none is typed."""
    return datetime.date.today()


def units_of(text: str) -> Any:
    """The unit for weights. A usage error where there is none such."""
    misused(text not in set(entry.Units), "kg or lb")
    return entry.Units(text)


def _no_color(asked: bool) -> None:
    if asked:
        os.environ["NO_COLOR"] = "1"


Figure = Annotated[Fraction | None, {"parser": positive}]
"""An option read as a figure above zero; None where it was not typed."""
FromZero = Annotated[Fraction | None, {"parser": not_negative}]
"""The same of zero or more."""
Band = Annotated[SizeBand | None, {"parser": band}]
Share = Annotated[Callable[[Fraction, Fraction], Fraction] | None, {"parser": weighed}]
"""A weight, or a share of a batch, in kilograms of it and of its unit."""
Day = Annotated[datetime.date | None, {"parser": day}]
Units = Annotated[Any, {"parser": units_of}]
NoColor = Annotated[bool, {"callback": _no_color}]


@dataclass(frozen=True)
class Shown:
    """How much is said, and how."""

    full: bool = False
    no_color: NoColor = False
    json: bool = False

    def said(
        self, name: str, found: Any, page: Callable[..., str], html: Typed = None, picture: Callable[[Any], str] = str
    ) -> str:
        """A result as its page, or its document of a name; and its picture in a file, if one was asked for."""
        if html is not None:
            write_text(html, picture(found), "--html")
        return record.document(name, found) if self.json else page(found, full=self.full)


@dataclass(frozen=True)
class Sizes:
    """The size of a batch, one of them."""

    meat_kg: Band = None
    batch_kg: Band = None
    meat_lb: Band = None
    batch_lb: Band = None

    def given(self) -> dict[str, SizeBand]:
        """The sizes that were typed, by their option."""
        typed = {one.name: getattr(self, one.name) for one in fields(Sizes)}
        return {f"--{name.replace('_', '-')}": size for name, size in typed.items() if size is not None}

    def one(self) -> tuple[str, SizeBand]:
        """The one size that was given, by its option. A usage error where it is none or several."""
        given, ways = self.given(), "--meat-kg, --batch-kg, --meat-lb, --batch-lb"
        misused(len(given) != 1, f"give the size of the batch by exactly one of {ways}")
        return given.popitem()


@dataclass(frozen=True)
class TidyOptions:
    """What a lot gives and keeps at least."""

    smallest_pull: Share = None
    smallest_remnant: Share = None


@dataclass(frozen=True)
class OrderOptions(Sizes):
    """What is ordered: how much, on which day, how near."""

    date: Day = None
    next_chance: Day = None
    within_kg: Figure = None
    units: Units = None

    def read(self, tidy: TidyOptions, **more: Any) -> tuple[str, Fraction, datetime.date, orders.Asked]:
        """The size by its option, the day, and what else is said of it."""
        size, (least, most) = self.one()
        on, chance = self.date or today(), self.next_chance
        misused(chance is not None and chance <= on, f"{chance} is not after {on}", "--next-chance")
        said = {**vars(tidy), **more}
        return size, least, on, orders.Asked(most, self.within_kg, next_chance=chance, units=self.units, **said)


@dataclass(frozen=True)
class Wished:
    """A wish among near-cheapest batches."""

    prefer: Typed = None
    premium_pct: Figure = None

    def __post_init__(self) -> None:
        misused(self.prefer is None and self.premium_pct is not None, "--premium-pct goes with --prefer")


def complete_pack(incomplete: str) -> list[str]:
    """Names of shipped rule packs, for the shell."""
    return [name for name in library.shipped() if name.startswith(incomplete)]


def complete_class(context: typer.Context, incomplete: str) -> list[str]:
    """Classes of the pack already typed, of all packs where none is known, for the shell."""
    typed = [*context.args, context.params.get("pack")]
    packs = [name for name in library.shipped() if name in typed] or library.shipped()
    classes = {one.id for name in packs for one in library.load_pack(name).classes}
    return sorted(name for name in classes if name.startswith(incomplete))


def complete_judge(incomplete: str) -> list[str]:
    """PACK=CLASS, a part at a time, for the shell."""
    pack, equals, start = incomplete.partition("=")
    if not equals:
        return complete_pack(pack)
    classes = library.load_pack(pack).classes if pack in library.shipped() else ()
    return [f"{pack}={one.id}" for one in classes if one.id.startswith(start)]


def one_standard_input(*files: str | None) -> None:
    """A usage error where more than one file is to be read from standard input."""
    misused(files.count("-") > 1, "only one of the files can be standard input")


def outputs(wanted: Mapping[str, str | None], inputs: Sequence[str | None] = ()) -> None:
    """A usage error where a file asked for by an option cannot be written, is read too, or is asked for twice.

    Found before anything is computed; nothing is created, and what stands in a file stays there.
    """
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
            why = _hindrance(path) or ("it is a ledger" if ledger.is_ledger(path) else "")
        seen[real] = option
        misused(why, f"{path} cannot be written: {why}", option)


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
