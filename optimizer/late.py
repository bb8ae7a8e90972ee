"""Modules that are loaded when something in them is first asked for: a command pays only for what it uses."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from types import ModuleType


class _Late(PathFinder):
    """Finds a module as usual, and puts off running it."""

    @classmethod
    def find_spec(
        cls, fullname: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """Where it is."""
        found = super().find_spec(fullname, path, target)
        if found is not None and found.loader is not None:
            found.loader = LazyLoader(found.loader)
        return found


@contextmanager
def late() -> Iterator[None]:
    """Within this an import of a module (``from package import module``) loads it at its first use."""
    sys.meta_path.insert(0, _Late)
    try:
        yield
    finally:
        sys.meta_path.remove(_Late)
