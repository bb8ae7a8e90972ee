"""How the process ends: streams that take no more, Ctrl-C, and faults of the program itself.

The answer is kept until the command is through and written in one piece, so that nothing half is ever printed.
"""

from __future__ import annotations

import io
import json
import os
import signal
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from typing import TextIO

from optimizer.cli.shared import NO_BATCH, TIME_LIMIT
from optimizer.cli.terminal import dressed, fit, is_terminal
from optimizer.clock import OutOfTime, Stopped

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
