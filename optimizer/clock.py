"""How long a command may take: one limit shared by all the searches it starts, wherever they are."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar


class OutOfTime(Exception):
    """The time is over; what was being looked for is not known."""


class Left:
    """What is left of a time limit in seconds (None: there is no limit)."""

    def __init__(self, limit: float | None) -> None:
        self.end = None if limit is None else time.monotonic() + limit

    @property
    def seconds(self) -> float | None:
        """Seconds left, never quite none; None without a limit."""
        return None if self.end is None else max(self.end - time.monotonic(), 0.01)

    @property
    def over(self) -> bool:
        """True where nothing is left."""
        return self.end is not None and time.monotonic() >= self.end


_LEFT: ContextVar[Left] = ContextVar("time for the report", default=Left(None))  # noqa: B039 - never changed


@contextmanager
def limited(seconds: float | None) -> Iterator[None]:
    """Within this all searches together take about so many seconds, and no longer than a limit already stood in.

    None: no further limit.
    """
    inner, outer = Left(seconds), _LEFT.get()
    ends_first = inner if outer.end is None or (inner.end is not None and inner.end < outer.end) else outer
    token = _LEFT.set(ends_first)
    try:
        yield
    finally:
        _LEFT.reset(token)


def left() -> float | None:
    """Seconds left of the limit stood in, None where there is none. Raises OutOfTime where none are left."""
    here = _LEFT.get()
    if here.over:
        raise OutOfTime
    return here.seconds


def shorter(limit: float | None) -> float | None:
    """The shorter of a limit in seconds and what is left of the one stood in; None where there is neither.

    Raises OutOfTime where nothing is left.
    """
    here = left()
    return limit if here is None else here if limit is None else min(limit, here)


def sooner(deadline: float | None) -> float | None:
    """The sooner of a deadline on the monotonic clock, in seconds, and the one of the limit stood in; None: neither.

    Raises OutOfTime where nothing is left.
    """
    left()
    ends = [end for end in (deadline, _LEFT.get().end) if end is not None]
    return min(ends, default=None)
