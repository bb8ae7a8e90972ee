"""The ledger under kills, crowds and full disks: ``python tests/reliability_stock.py`` runs the full numbers.

A child records two movements a document and prints a document's name once it is confirmed; it is killed (SIGKILL) at a
random moment. Nothing confirmed may be lost and nothing half may be there. Then 8 processes take from one lot at once:
together exactly what there was, every one succeeding or saying why not.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from optimizer.ledger import UNIT, Movement, NotRecorded, Recording, create, opened, record

NOW = "2026-11-25T06:10:00+00:00"


def document(name: str) -> Recording:
    return Recording(name, NOW, "AB")


def stocked(path: str, **kilograms: int) -> None:
    """A ledger with some lots."""
    create(path)
    moves = [Movement("receive", lot, Fraction(kg)) for lot, kg in kilograms.items()]
    record(path, "receive", document("first"), moves, {lot: {"lot": lot} for lot in kilograms})


def keep_recording(path: str, prefix: str) -> None:
    """Move a gram from one lot to another until killed, telling every document that is confirmed."""
    number = 0
    while True:
        name = f"{prefix}-{number}"
        record(path, "count", document(name), [
            Movement("waste", "a", Fraction(-1, 1000)), Movement("return", "b", Fraction(1, 1000)),
        ])  # fmt: skip
        print(name, flush=True)
        number += 1


def take(path: str, prefix: str, times: int) -> None:
    """Take a kilogram so many times, telling every success; whatever is refused must say why."""
    for number in range(times):
        try:
            record(path, "waste", document(f"{prefix}-{number}"), [Movement("waste", "a", Fraction(-1))])
        except NotRecorded as error:
            if "only 0 kg" not in str(error) and "try again" not in str(error):
                raise
        else:
            print("taken", flush=True)


def started(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, __file__, *words], stdout=subprocess.PIPE, text=True)


def killed(path: str, kills: int, rng: random.Random) -> set[str]:
    """Names confirmed by children that were killed after a random time of recording."""
    confirmed = {"first"}
    for number in range(kills):
        child = started("record", path, f"{number}")
        assert child.stdout is not None
        confirmed.add(child.stdout.readline().strip())
        time.sleep(rng.uniform(0, 0.05))
        child.send_signal(signal.SIGKILL)
        # A name cut off by the kill was written after its commit too, but cannot be told from another.
        confirmed |= {line.strip() for line in child.communicate()[0].splitlines(keepends=True) if line.endswith("\n")}
    return confirmed


def check(path: str, confirmed: set[str]) -> int:
    """Every confirmed document is there, every document is whole, and the two lots add up; returns documents."""
    with opened(path) as base:
        whole = dict(base.execute("SELECT document, COUNT(*) FROM movement GROUP BY document").fetchall())
        known = {name for (name,) in base.execute("SELECT document FROM document").fetchall()}
        (total,) = base.execute("SELECT SUM(units) FROM movement").fetchone()
    assert confirmed <= known, confirmed - known
    assert whole.keys() == known and set(whole.values()) == {2}
    assert total * UNIT == 2000
    return len(known)


def crowd(path: str, processes: int, kilograms: int) -> None:
    """Processes that take more than there is get exactly what there is."""
    children = [started("take", path, f"p{number}", str(kilograms // 4)) for number in range(processes)]
    taken = sum(child.communicate()[0].count("taken") for child in children)
    assert all(child.returncode == 0 for child in children)
    with opened(path) as base:
        (left,) = base.execute("SELECT SUM(units) FROM movement").fetchone()
    assert taken + left * UNIT == kilograms, (taken, left)


def main(words: Sequence[str]) -> None:
    if words and words[0] == "record":
        keep_recording(words[1], words[2])
    if words and words[0] == "take":
        take(words[1], words[2], int(words[3]))
        return
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=8)
    asked = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/killed.db"
        stocked(path, a=1000, b=1000)
        found = check(path, killed(path, asked.kills, random.Random(1)))
        print(f"{asked.kills} kills: {found} documents, all whole, none lost")
        stocked(f"{folder}/crowd.db", a=200)
        crowd(f"{folder}/crowd.db", asked.processes, 200)
        print(f"{asked.processes} processes at once: nothing taken twice")
    assert not Path(folder).exists()


if __name__ == "__main__":
    main(sys.argv[1:])
