"""The command line: one file a command, no arithmetic, heavy imports only inside the commands that need them.

stdout carries the answer and nothing else. Exit codes: 0 an answer whose every check holds; 1 no such batch, or one
that must not be made, or an answer that could not be written; 2 bad input or usage; 3 stopped at a time limit with the
best batch found; 70 a fault of the program; 130 interrupted.
"""

from __future__ import annotations

import sys
from typing import Annotated, NoReturn

import typer

from optimizer import __version__
from optimizer.cli import (
    blend,
    check,
    columns,
    cook,
    correct,
    ending,
    new,
    plan,
    rules,
    schema,
    sheet,
    stock,
    terms,
    why,
)

app = typer.Typer(
    name="trimwright",
    help="Choose the lots, weigh out and check a batch of sausage: cheapest, legal and proved.",
    epilog="Exit codes: 0 fine, 1 no such batch or do not make, 2 bad input, 3 time limit, 70 program fault.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command("blend")(blend.blend)
app.command("check")(check.check)
app.command("columns")(columns.columns)
app.command("cook")(cook.cook)
app.command("correct")(correct.correct)
app.command("dry")(cook.dry)
app.command("new")(new.new)
app.command("plan")(plan.plan)
app.command("rules")(rules.rules)
app.command("schema")(schema.schema)
app.command("sheet")(sheet.sheet)
app.add_typer(stock.stock, name="stock")
app.command("trace")(stock.trace)
app.command("terms")(terms.terms)
app.command("why")(why.why)


def _version(asked: bool) -> None:
    if asked:
        sys.stdout.write(f"trimwright {__version__}\n")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Choose the lots, weigh out and check a batch of sausage: cheapest, legal and proved."""


def main() -> NoReturn:
    """Run the command line and exit."""
    sys.exit(ending.run(app))
