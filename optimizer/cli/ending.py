"""How the process ends, and what a terminal gets: streams that take no more, Ctrl-C, faults of the program itself.

The answer is kept until the command is through and written in one piece, so that nothing half is ever printed.
"""

from __future__ import annotations

import codecs
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
from optimizer.late import late
from optimizer.wording import HEADINGS

with late():
    import traceback

    from optimizer import verdict
    from optimizer.pages import tables

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
    if is_terminal(out):
        tables.set_width(shutil.get_terminal_size().columns)
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
            traceback.print_exc()
        return FAULT
    return 0


def _written(text: str, out: TextIO | None, code: int) -> int:
    """Write the answer; one that could not be written whole ends with 1, whatever it said."""
    if out is None:
        if text:
            sys.stderr.write("the answer could not be written: standard output is closed\n")
        return NO_BATCH if text and code == 0 else code
    text = dressed(text) if is_terminal(out) else text
    try:
        text.encode(out.encoding, out.errors or "strict")
    except UnicodeEncodeError:
        codecs.register_error("json", _escaped)
        text = text.encode(out.encoding, "json").decode(out.encoding)
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


def _escaped(error: UnicodeError) -> tuple[str, int]:
    """Letters that an encoding lacks, as JSON escapes them."""
    assert isinstance(error, UnicodeEncodeError)
    return json.dumps(error.object[error.start : error.end])[1:-1], error.end


def is_terminal(out: TextIO | None) -> bool:
    """True where somebody reads along; a terminal that says it is dumb gets plain text as well."""
    return out is not None and out.isatty() and os.environ.get("TERM") != "dumb"


_BOLD, _RED, _CARE = "1", "1;31", "33"
"""Bold, bold red and yellow (ECMA-48, 8.3.117)."""


def dressed(text: str) -> str:
    """A page with its headline and headings bold, *do not make* red, and warnings yellow; a JSON document as it is."""
    if text.startswith(("{", "[")):
        return text
    bare = {_RED: _BOLD, _CARE: ""} if os.environ.get("NO_COLOR") else {}
    lines = []
    for line in text.split("\n"):
        style, end = _style(line)
        style = bare.get(style, style)
        lines.append(f"\33[{style}m{line[:end]}\33[0m{line[end:]}" if style and end else line)
    return "\n".join(lines)


def _style(line: str) -> tuple[str, int]:
    """Style of a line, and up to where."""
    heads, worst = verdict.HEADLINES, verdict.HEADLINES[verdict.Grade.DO_NOT_MAKE]
    told = (*heads.values(), verdict.MADE_ALREADY)
    for style, starts in ((_RED, (worst,)), (_BOLD, told), (_CARE, ("! ", "warning ", "BROKEN "))):
        if line.startswith(starts):
            return style, len(line)
    name = next(filter(line.startswith, HEADINGS), "")
    return _BOLD, len(line) if line == line.upper() and line[:4].isalpha() else len(name)
