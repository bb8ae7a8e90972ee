"""What an explanation could not settle, part by part: time ran out, or a search in whole numbers was given up."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum

from optimizer.clock import OutOfTime
from optimizer.solver.kept import Unsettled
from optimizer.solver.model import SolverDisagrees


class Section(StrEnum):
    """The parts of an explanation, by the names they have in its JSON document."""

    CONFLICT = "conflict"
    PRICES = "prices"
    LOTS = "lots"
    WAYS_OUT = "ways_out"
    OFFERS = "offers"
    CURVES = "curves"
    WHAT_IF = "what_if"


@dataclass(frozen=True)
class Unfinished:
    """One thing not settled; ``time`` is True where the time limit was the reason."""

    part: Section
    what: str
    time: bool = True

    def words(self) -> str:
        """In one sentence."""
        return f"{self.what}: {'the time was over' if self.time else 'the search was given up'}."


@contextmanager
def settled(unfinished: list[Unfinished], part: Section, what: str) -> Iterator[None]:
    """Name what time did not allow or what could not be settled; the batch itself stands all the same."""
    try:
        yield
    except (OutOfTime, Unsettled, SolverDisagrees) as stopped:
        unfinished.append(Unfinished(part, what, isinstance(stopped, OutOfTime)))
