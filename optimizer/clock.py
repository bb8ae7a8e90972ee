"""How long a command may take: one limit shared by all it does, and a word where a search takes longer than a second.

Without a limit nothing looks at a clock: searches are bounded by the work they count, so that the same files give the
same answer on any machine.
"""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from contextvars import ContextVar

_SHARE, _GRACE = 1.15, 0.6
"""A command that does not look at the clock itself is stopped at this share of its limit and so many seconds more."""
_LAST = 0.2
"""Seconds after which it is stopped once more, for good."""
_LONG = 1.0
"""Seconds after which a search says what it is."""


class OutOfTime(Exception):
    """The time is over; what was being looked for is not known."""


class Stopped(BaseException):
    """The time is over for good; there is no answer."""


_END: ContextVar[float | None] = ContextVar("when the time for the command is over", default=None)
_TELL: ContextVar[Callable[[str], object] | None] = ContextVar("who is told of long searches", default=None)


def limited(seconds: float | None) -> AbstractContextManager[None]:
    """Within this everything together takes about so many seconds, and no longer than a limit already stood in.

    None: no further limit.
    """
    ends = (_END.get(), None if seconds is None else time.monotonic() + seconds)
    return _standing_in(min((end for end in ends if end is not None), default=None))


def moment(seconds: float) -> AbstractContextManager[None]:
    """Within this there are so many seconds at least, to finish what was found, whatever limit is stood in."""
    end = _END.get()
    return _standing_in(None if end is None else max(end, time.monotonic() + seconds))


@contextmanager
def _standing_in(end: float | None) -> Iterator[None]:
    token = _END.set(end)
    try:
        yield
    finally:
        _END.reset(token)


def left() -> float | None:
    """Seconds left of the limit stood in, never quite none; None without one. Raises OutOfTime where none are left."""
    end = _END.get()
    if over():
        raise OutOfTime
    return None if end is None else max(end - time.monotonic(), 0.01)


def over() -> bool:
    """True where nothing is left of the limit stood in."""
    end = _END.get()
    return end is not None and time.monotonic() >= end


@contextmanager
def command(seconds: float | None, tell: Callable[[str], object] | None = None) -> Iterator[None]:
    """A whole command, which takes about so many seconds: reading, building, searching, weighing and reasons.

    What looks at the clock ends in time by itself. All else is stopped by an alarm (where the system has one) after so
    many seconds of the processor: first by OutOfTime, which a report may catch to say what it has, then by Stopped.
    ``tell`` is told what takes long.
    """
    token = _TELL.set(tell)
    here = threading.current_thread() is threading.main_thread()
    alarm = here and seconds is not None and hasattr(signal, "setitimer")
    before = signal.signal(signal.SIGPROF, _Alarm()) if alarm else None
    if seconds is not None and alarm:
        signal.setitimer(signal.ITIMER_PROF, seconds * _SHARE + _GRACE, _LAST)
    try:
        with limited(seconds):
            yield
    finally:
        if alarm:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.signal(signal.SIGPROF, before)
        _TELL.reset(token)


class _Alarm:
    """Rings twice."""

    def __init__(self) -> None:
        self.rung = False

    def __call__(self, number: int, frame: object) -> None:
        if self.rung:
            signal.setitimer(signal.ITIMER_PROF, 0)
            raise Stopped
        self.rung = True
        raise OutOfTime


@contextmanager
def doing(what: str) -> Iterator[None]:
    """Within this ``what`` is said to whoever is to be told, once it has taken over a second."""
    tell = _TELL.get()
    if tell is None:
        yield
        return
    timer = threading.Timer(_LONG, tell, (what,))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
