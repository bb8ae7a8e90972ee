"""How long a report may take: a limit for all searches started within it, wherever they are."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_END: ContextVar[float | None] = ContextVar("end of the report", default=None)


class OutOfTime(Exception):
    """The time for the report is over; what was being looked for is not known."""


@contextmanager
def limited(seconds: float | None) -> Iterator[None]:
    """Within this all searches together take about so many seconds; None: no limit."""
    if seconds is None:
        yield
        return
    token = _END.set(time.monotonic() + seconds)
    try:
        yield
    finally:
        _END.reset(token)


def left() -> float | None:
    """Seconds left, None where there is no limit. Raises OutOfTime where none are left."""
    end = _END.get()
    if end is None:
        return None
    seconds = end - time.monotonic()
    if seconds <= 0:
        raise OutOfTime
    return seconds
