"""Rows of a pack that a recipe waives by name: still measured and said, binding nothing; what blocks never is."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from constraints.faults import nearest
from constraints.requirement import Requirement


def waived(requirements: Iterable[Requirement], names: Collection[str]) -> tuple[Requirement, ...]:
    """The requirements with those named by their row taken out of force: still measured, binding nothing.

    What blocks stays as it is; ask ``not_waivable`` first.
    """
    return tuple(_without_force(r) if r.origin.rule in names and not r.origin.blocks else r for r in requirements)


def _without_force(requirement: Requirement) -> Requirement:
    origin = requirement.origin
    note = "; ".join(part for part in (origin.note, "waived by your recipe") if part)
    return replace(requirement, origin=replace(origin, legal=False, waived=True, note=note))


def not_waivable(requirements: Iterable[Requirement], names: Iterable[str]) -> dict[str, str]:
    """Names that cannot be waived, each with the reason in words."""
    rows = {r.origin.rule: r.origin for r in requirements if r.origin.pack}
    refused = {}
    for name in names:
        if name not in rows:
            close = nearest(name, rows)
            refused[name] = "no such row is in force for this product" + (f"; did you mean {close}?" if close else "")
        elif rows[name].blocks:
            health = "it protects health" if rows[name].protects_health else "its text was read in the law"
            refused[name] = f"a row that blocks is never waived: {health}"
    return refused
