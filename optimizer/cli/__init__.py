"""The command line: no arithmetic, and what takes long to load only where it is used.

stdout carries the answer and nothing else. Exit codes: 0 an answer whose every check holds; 1 no such batch, or one
that must not be made, or an answer that could not be written; 2 bad input or usage; 3 stopped at a time limit with the
best batch found; 70 a fault of the program; 130 interrupted.
"""

import gc
import sys
from importlib import import_module
from typing import Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from optimizer import __version__
from optimizer.cli import ending
from optimizer.cli.shared import flat

COMMANDS = {
    "blend": "making", "check": "judging", "columns": "reference", "cook": "judging", "correct": "judging",
    "dry": "judging", "new": "reference", "plan": "making", "rules": "reference", "schema": "reference",
    "sheet": "making", "stock": "stock", "trace": "stock", "terms": "reference", "why": "making",
}  # fmt: skip
"""Every command with its module, in which a function, or a group of commands, bears its name."""
_NEW_OBJECTS = 500_000
"""Objects between two looks for garbage: nearly all that a command makes at its start it keeps to its end."""


class _Group(TyperGroup):
    """The commands, each loaded when it is asked for: the options of all take longer to make than one runs to read."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = dict.fromkeys(COMMANDS)  # type: ignore[assignment]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """A command by its name; None where there is none such."""
        if cmd_name not in COMMANDS:
            return None
        found = getattr(import_module(f"optimizer.cli.{COMMANDS[cmd_name]}"), cmd_name)
        if not isinstance(found, typer.Typer):
            alone = typer.Typer(add_completion=False, rich_markup_mode=None)
            alone.command(cmd_name)(flat(found, cmd_name))
            found = alone
        made = typer.main.get_command(found)
        made.name = cmd_name
        return made


_ABOUT = "Choose the lots, weigh out and check a batch of sausage: cheapest, legal and proved."
_CODES = "Exit codes: 0 fine, 1 no such batch or do not make, 2 bad input, 3 time limit, 70 program fault."
app = typer.Typer(
    name="trimwright", cls=_Group, help=_ABOUT, epilog=_CODES, no_args_is_help=True, rich_markup_mode=None,
    pretty_exceptions_enable=False, context_settings={"help_option_names": ["-h", "--help"]},
)  # fmt: skip


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
    gc.set_threshold(_NEW_OBJECTS)
    code = ending.run(app)
    gc.freeze()  # the interpreter's last looks for garbage took a sixth of a blend's time; all goes with the process
    sys.exit(code)
