"""Every loader fed with files spoilt at random: ``python -X faulthandler tests/fuzz.py --seconds 600``.

A file of the hostile kitchen is cut, doubled, mixed with another, or gets bytes, letters and figures that loaders have
stumbled over elsewhere. A loader returns or says what is wrong with ``BadInput``; anything else is printed with the
seed that brings it back, and ends with 1. ``test_hostile.py`` runs a few hundred.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from hostile_files import FILES

from constraints.as_typed import BadInput
from optimizer.plan.files.week_file import read_week
from optimizer.reading.recipe import read_both
from optimizer.reading.weighed import read_weighed

ODD = (
    "", "\0", "\ufeff", "\u202e", "\u2028", "\x85", "\r", "\t", '"', "'", "{", "}", "[", "]", ":", ": ", "- ", "&a ",
    "*a ", "!!int ", "<<: ", "---\n", "...\n", "?", "|", ">", "#", "%", "@", "`", "=1+1", "nan", ".inf", "1e999", "-1",
    "0", "-0", "1" * 60, "0x1F", "1_000", "\u0661", "\uff11", "2026-02-30", "9999-12-31", "null", "true", "no", ",",
    ";", "\\", "\\u0000", "e\u0301", "\U0001f437", "\ud800", "\x1b[2J", "is: cure", "nitrite_pct: 100", "[" * 60,
    '{"lots": [', "NaN",
)  # fmt: skip


def spoilt(rng: random.Random, name: str) -> bytes:
    """One of the kitchen's files, spoilt in one to four ways."""
    text = FILES[name]
    for _ in range(rng.randint(1, 4)):
        at, end = sorted(rng.randint(0, len(text)) for _ in range(2))
        end = min(end, at + rng.choice((0, 1, 3, 30)))
        other = FILES[rng.choice(list(FILES))]
        piece = rng.choice((rng.choice(ODD), rng.choice(ODD), text[at:end] * 2, other[at : at + 20], ""))
        text = text[:at] + piece + text[end:] if rng.random() < 0.95 else text[:at]
    data = text.encode("utf-8", "surrogatepass")
    if data and rng.random() < 0.1:
        at = rng.randrange(len(data))
        data = data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
    return data


def tried(seed: int, folder: Path) -> BaseException | None:
    """What a loader does with the spoilt file of a seed, where it neither returns nor says what is wrong."""
    rng = random.Random(seed)
    name = rng.choice(("r.yaml", "r.yaml", "l.csv", "l.csv", "b.csv", "w.yaml", "o.csv"))
    for other, text in FILES.items():
        (folder / other).write_text(text, encoding="utf-8")
    (folder / name).write_bytes(spoilt(rng, name))
    loaders: dict[str, Callable[[], object]] = {
        "b.csv": lambda: read_weighed(str(folder / "b.csv")),
        "w.yaml": lambda: read_week(str(folder / "w.yaml")), "o.csv": lambda: read_week(str(folder / "w.yaml")),
    }  # fmt: skip
    both = lambda: read_both(str(folder / "r.yaml"), str(folder / "l.csv"))  # noqa: E731
    try:
        loaders.get(name, both)()
    except BadInput:
        return None
    except Exception as error:
        return error
    return None


def main() -> None:
    """Spoil and load until the time is over."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--seed", type=int, default=0, help="the first seed")
    asked = parser.parse_args()
    end, seed, bad = time.monotonic() + asked.seconds, asked.seed, 0
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() < end:
            error = tried(seed, Path(folder))
            if error is not None:
                bad += 1
                print(f"seed {seed}: {type(error).__name__}: {error}", flush=True)
            seed += 1
    print(f"{seed - asked.seed} files, {bad} that a loader fell over")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
