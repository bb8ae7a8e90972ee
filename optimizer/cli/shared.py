"""What the commands share: errors on stderr with their exit code, and figures and dates typed as options."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from fractions import Fraction
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from collections.abc import Iterable

    from constraints.faults import Fault

BAD_INPUT = 2
NO_BATCH = 1


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


def say(faults: Iterable[Fault]) -> None:
    """Print faults on stderr, one a line."""
    for fault in faults:
        sys.stderr.write(f"{fault}\n")


def figure(text: str | None, option: str) -> Fraction | None:
    """A positive figure typed as an option. A usage error where it is not a plain decimal number above zero."""
    from constraints.numbers import NotANumber, exact

    if text is None:
        return None
    try:
        value = exact(text)
    except NotANumber as error:
        raise typer.BadParameter(str(error), param_hint=option) from None
    if value <= 0:
        raise typer.BadParameter(f"{text} is not above zero", param_hint=option)
    return value


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


def write_text(path: str, text: str, option: str) -> None:
    """Write a file asked for by an option. A usage error where it cannot be written."""
    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise typer.BadParameter(f"{path} cannot be written: {error.strerror}", param_hint=option) from None
