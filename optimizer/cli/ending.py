"""How the process ends, and what a terminal gets: streams that take no more, Ctrl-C, faults of the program itself.

The answer is kept until the command is through and written in one piece, so that nothing half is ever printed.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from typing import TextIO

from optimizer.cli.shared import NO_BATCH, TIME_LIMIT
from optimizer.clock import OutOfTime, Stopped
from optimizer.wording import HEADINGS

FAULT = 70
"""EX_SOFTWARE of sysexits.h."""
INTERRUPTED = 130
"""128 and the number of SIGINT, as shells count."""
TRACE = "TRIMWRIGHT_TRACE"
"""Environment variable that asks for the traceback of a fault."""


class _Messages(io.FileIO):
    """Standard error that never fails the command: what cannot be written is counted as lost."""

    lost = False

    def write(self, data: object) -> int:
        """Bytes taken."""
        try:
            return super().write(data)  # type: ignore[arg-type]
        except OSError:
            self.lost = True
            return memoryview(data).nbytes  # type: ignore[arg-type]


def run(command: Callable[[], object]) -> int:
    """Run a command line, write what it printed and return the exit code of the process."""
    out = sys.stdout
    for number in range(3):  # a closed stream's number would go to the next file opened
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    messages = _Messages(2, "w", closefd=False)
    sys.stderr = io.TextIOWrapper(
        io.BufferedWriter(messages), sys.stderr.encoding if sys.stderr else "utf-8", "backslashreplace",
        line_buffering=True,
    )  # fmt: skip
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupted)
    fit()
    printed = io.StringIO()
    try:
        with redirect_stdout(printed):
            code = _code_of(command)
        code = code if code in (FAULT, INTERRUPTED) else _written(printed.getvalue(), out, code)
    except (SystemExit, KeyboardInterrupt):
        code = INTERRUPTED
    if code == INTERRUPTED:
        sys.stderr.write("interrupted: there is no answer\n")
    return NO_BATCH if code == 0 and messages.lost else code


def _interrupted(number: int, frame: object) -> None:
    raise SystemExit(INTERRUPTED)  # not KeyboardInterrupt, which some versions of the parser end with 1


def _code_of(command: Callable[[], object]) -> int:
    try:
        command()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    except (OutOfTime, Stopped):
        sys.stderr.write("stopped at the time limit: there is no answer\n")
        return TIME_LIMIT
    except Exception as error:
        said = f"{type(error).__name__}: {error}".rstrip(": ").splitlines()[0]
        sys.stderr.write(
            f"trimwright failed: {said}\nThis is a fault of the program, not of your files; there is no answer. "
            f"Set {TRACE}=1 to see where it failed.\n"
        )
        if os.environ.get(TRACE):
            from traceback import print_exc

            print_exc()
        return FAULT
    return 0


def _written(text: str, out: TextIO | None, code: int) -> int:
    """Write the answer; one that could not be written whole ends with 1, whatever it said."""
    if out is None:
        if text:
            sys.stderr.write("the answer could not be written: standard output is closed\n")
        return NO_BATCH if text and code == 0 else code
    if is_terminal(out):
        text = dressed(text)
    try:
        text.encode(out.encoding, out.errors or "strict")
    except UnicodeEncodeError:
        text = "".join(_escaped(letter, out.encoding) for letter in text)
        sys.stderr.write(
            f"standard output ({out.encoding}) lacks letters of the answer: each is shown as \\u and its number\n"
        )
    try:
        out.write(text)
        out.flush()
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # Python would complain once more while flushing at exit
        if not isinstance(error, BrokenPipeError):
            sys.stderr.write(f"the answer could not be written: {error.strerror}\n")
        return NO_BATCH
    return code


def _escaped(letter: str, encoding: str) -> str:
    """A letter as it is where the encoding has it, and as JSON escapes it where not."""
    try:
        letter.encode(encoding)
    except UnicodeEncodeError:
        return json.dumps(letter)[1:-1]
    return letter


_BOLD, _RED, _CARE = "bold", "bold red", "yellow"


def fit() -> None:
    """Make the pages as wide as the terminal, where standard output is one."""
    if is_terminal(sys.stdout):
        from optimizer.pages.tables import set_width

        set_width(shutil.get_terminal_size().columns)


def is_terminal(out: TextIO | None) -> bool:
    """True where somebody reads along; a terminal that says it is dumb gets plain text as well."""
    return out is not None and out.isatty() and os.environ.get("TERM") != "dumb"


def dressed(text: str) -> str:
    """A page with its headline and headings bold, *do not make* red, and warnings yellow; a JSON document as it is."""
    if text.startswith(("{", "[")):
        return text
    from io import StringIO

    from rich.console import Console
    from rich.text import Text

    console = Console(file=StringIO(), force_terminal=True, width=1000, highlight=False, legacy_windows=False)
    with console.capture() as caught:
        for line in text.splitlines():
            styled = Text(line)
            styled.stylize(*_style(line))
            console.print(styled, soft_wrap=True)
    return caught.get()


def _style(line: str) -> tuple[str, int, int]:
    """Style of a line, and from where to where."""
    from optimizer.verdict import HEADLINES, MADE_ALREADY, Grade

    if line.startswith(HEADLINES[Grade.DO_NOT_MAKE]):
        return _RED, 0, len(line)
    if line.startswith((*HEADLINES.values(), MADE_ALREADY)):
        return _BOLD, 0, len(line)
    if line.startswith("! ") or line.startswith(("warning ", "BROKEN ")):
        return _CARE, 0, len(line)
    name = next((name for name in HEADINGS if line.startswith(name)), "")
    whole = len(line) if line == line.upper() and line[:4].isalpha() else len(name)
    return _BOLD, 0, whole
