"""How a command ends where something outside goes wrong: a line that says so, the right exit code, no traceback."""

from __future__ import annotations

import codecs
import json
import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from where import ROOT

BLEND = "blend {recipe} --lots examples/fresh-lots.csv --meat-kg 25 --date 2026-11-25"
FULL = "No space left on device"
FAILS = "from optimizer.cli import ending; import sys; sys.exit(ending.run(lambda: print('half') or {}[b'key']))"


def shell(redirection: str, recipe: str = "examples/fresh.yaml", more: str = "", **env: str) -> tuple[int, str, str]:
    """The blend of a recipe with its streams redirected by a shell."""
    words = f"{shlex.quote(sys.executable)} -m optimizer {BLEND.format(recipe=shlex.quote(recipe))} {more}"
    done = subprocess.run(
        ["sh", "-c", f"{words} {redirection}"], cwd=ROOT, capture_output=True, check=False, timeout=60,
        env={**os.environ, **env},
    )  # fmt: skip
    return done.returncode, done.stdout.decode("latin-1"), done.stderr.decode("latin-1")


@pytest.mark.parametrize(
    ("redirection", "code", "said"),
    [
        (">/dev/full", 1, f"the answer could not be written: {FULL}\n"),
        (">&-", 1, "the answer could not be written: standard output is closed\n"),
        ("2>&-", 0, ""), ("<&-", 0, ""), (">&- 2>&-", 1, ""), ("<&- >&- 2>&-", 1, ""),
        (">/dev/full 2>/dev/full", 1, ""),
    ],
)  # fmt: skip
def test_a_stream_that_takes_nothing(redirection: str, code: int, said: str) -> None:
    found = shell(redirection)
    assert (found[0], found[2]) == (code, said)
    assert (">" in redirection.replace("2>", "")) != ("Proved: " in found[1])


def test_a_warning_that_was_lost_is_not_a_clean_end(tmp_path: Path) -> None:
    """A limit of 25 to 28 typed with a header that is only warned of; the answer itself is whole."""
    lots = (ROOT / "examples/fresh-lots.csv").read_text(encoding="utf-8").replace("17.99", "0.1799")
    (tmp_path / "lots.csv").write_text(lots)
    command = f"{shlex.quote(sys.executable)} -m optimizer {BLEND.format(recipe='examples/fresh.yaml')}"
    command = command.replace("examples/fresh-lots.csv", shlex.quote(str(tmp_path / "lots.csv")))
    for redirection, code in (("2>/dev/null", 0), ("2>/dev/full", 1)):
        done = subprocess.run(["sh", "-c", f"{command} {redirection}"], cwd=ROOT, capture_output=True, check=False)
        assert done.returncode == code and b"Proved: " in done.stdout


def test_a_reader_that_goes_away_is_not_complained_of() -> None:
    code, out, err = shell('| (read -r line; echo "$line")')
    assert (code, out.partition(":")[0], err) == (0, "Harbour links, fresh", "")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8", "utf-16"])
@pytest.mark.parametrize("more", ["", "--json"])
def test_an_encoding_that_lacks_a_letter(encoding: str, more: str, tmp_path: Path) -> None:
    name = "Łódź links, 香腸, \U0001f437, é"
    recipe = (ROOT / "examples/fresh.yaml").read_text(encoding="utf-8").replace("Harbour links, fresh", name)
    (tmp_path / "r.yaml").write_text(recipe, encoding="utf-8")
    code, out, err = shell("", str(tmp_path / "r.yaml"), more, PYTHONIOENCODING=encoding)
    assert code == 0
    text = out.encode("latin-1").decode(encoding)
    whole = encoding.startswith("utf")
    known = codecs.lookup(encoding).name
    said = f"standard output ({known}) lacks letters of the answer: each is shown as \\u and its number\n"
    assert err == ("" if whole else said)
    shown = json.loads(text)["recipe"] if more else text.splitlines()[0].partition(": ")[0]
    assert shown == (name if whole or more else "".join(_as_json(letter, encoding) for letter in name))


def _as_json(letter: str, encoding: str) -> str:
    """As the JSON standard (RFC 8259, section 7) escapes a letter."""
    try:
        return letter.encode(encoding).decode(encoding)
    except UnicodeEncodeError:
        return json.dumps(letter)[1:-1]


@pytest.mark.parametrize("asked", [False, True])
def test_a_fault_of_the_program_ends_with_70(asked: bool) -> None:
    """EX_SOFTWARE of sysexits.h; nothing of a half answer is printed, and no traceback unless asked."""
    env = {**os.environ, **({"TRIMWRIGHT_TRACE": "1"} if asked else {})}
    done = subprocess.run([sys.executable, "-c", FAILS], capture_output=True, text=True, env=env, check=False)
    assert (done.returncode, done.stdout) == (70, "")
    assert done.stderr.startswith("trimwright failed: KeyError: b'key'\nThis is a fault of the program")
    assert ("Traceback" in done.stderr) == asked


def heed() -> None:
    """A process started in the background of a script is told to ignore Ctrl-C; this one is not."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.parametrize(
    "words",
    [
        BLEND.format(recipe="PIPE"), BLEND.format(recipe="PIPE").replace("blend", "why"),
        "check PIPE --recipe examples/fresh.yaml --lots examples/fresh-lots.csv",
        "check examples/batch.csv --recipe PIPE --lots examples/fresh-lots.csv",
        "plan PIPE", "plan PIPE --time-limit 60", "cook PIPE --recipe examples/smoked.yaml",
        "dry PIPE --recipe examples/smoked.yaml", "rules PIPE.yaml",
    ],
)  # fmt: skip
def test_ctrl_c_says_interrupted(words: str, tmp_path: Path) -> None:
    """128 and the number of SIGINT. A file is a pipe nobody writes to, so the command is known to be under way."""
    pipe = tmp_path / ("pipe.yaml" if "PIPE.yaml" in words else "pipe")
    os.mkfifo(pipe)
    line = [sys.executable, "-m", "optimizer", *words.replace("PIPE.yaml", "PIPE").replace("PIPE", str(pipe)).split()]
    with (
        subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=heed) as running,
        open(pipe, "w"),
    ):
        running.send_signal(signal.SIGINT)
        out, err = running.communicate(timeout=60)
    assert (running.returncode, out, err) == (130, b"", b"interrupted: there is no answer\n")


def test_reading_keeps_the_time_limit_of_a_check(tmp_path: Path) -> None:
    """60,000 lots take far longer to read than the limit: 3, and no answer."""
    head, first, *_ = (ROOT / "examples/fresh-lots.csv").read_text(encoding="utf-8").splitlines()
    name = first.split(",")[0]
    (tmp_path / "lots.csv").write_text("\n".join([head, *(first.replace(name, f"lot {k}") for k in range(60_000))]))
    line = [sys.executable, "-m", "optimizer", "check", "examples/fresh-lots.csv", "--recipe", "examples/fresh.yaml",
            "--lots", str(tmp_path / "lots.csv"), "--time-limit", "0.01"]  # fmt: skip
    done = subprocess.run(line, cwd=ROOT, capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (3, b"", b"stopped at the time limit: there is no answer\n")


MACHINE = """
import sys, time
ticks = iter(range(10 ** 6, 10 ** 9, 997))
for name in ("time", "monotonic", "perf_counter", "process_time", "thread_time"):
    setattr(time, name, lambda: float(next(ticks)))
from optimizer.__main__ import main
main()
"""
"""A machine on which every look at a clock finds a quarter of an hour gone."""


@pytest.mark.parametrize(
    "words",
    [
        BLEND.format(recipe="examples/fresh.yaml") + " --json",
        BLEND.format(recipe="examples/fresh.yaml").replace("blend", "why") + " --json",
        BLEND.format(recipe="SURE") + " --json",
        "plan examples/week/week.yaml --no-compare --json",
    ],
)
def test_no_clock_is_in_an_answer(words: str, tmp_path: Path) -> None:
    """The same files give the same document however fast time goes by."""
    recipe = (ROOT / "examples/fresh.yaml").read_text(encoding="utf-8")
    (tmp_path / "sure.yaml").write_text(recipe + "\nconfidence: {probability: 0.9, usual_method: nir_bench}\n")
    words = words.replace("SURE", str(tmp_path / "sure.yaml"))
    plain = subprocess.run(
        [sys.executable, "-m", "optimizer", *words.split()], cwd=ROOT, capture_output=True, check=False
    )
    mad = subprocess.run([sys.executable, "-c", MACHINE, *words.split()], cwd=ROOT, capture_output=True, check=False)
    assert plain.returncode == mad.returncode == 0, mad.stderr
    assert plain.stdout and plain.stdout == mad.stdout
