"""The command's work: a week, or what is left of one, from its files to everything that is said of it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

from optimizer.answer import Status
from optimizer.plan.files.happened import as_it_is, read_happened
from optimizer.plan.files.week_file import Week
from optimizer.plan.model.blocks import SupplyCosts, WeekProgram
from optimizer.plan.model.world import World, assemble_week
from optimizer.plan.report.outcome import Outcome, gather
from optimizer.plan.report.way_out import impossible, no_plan
from optimizer.plan.settle.find import Plan, find
from optimizer.plan.settle.repair import Repaired


def plan_week(week: Week, *, compare: bool = True) -> Outcome:
    """Plan a week. Raises BadInput where its files do not fit together, OutOfTime where there is no time for a plan."""
    world = assemble_week(week)
    plan = find(world, talk=True)
    if plan.status is Status.INFEASIBLE or impossible(world):
        return _without(plan, world)
    return gather(plan, compare=compare and not plan.solved.interrupted)


def plan_again(week: Week, what_happened: str) -> Outcome:
    """Plan what is left of a week after something else happened than was planned. Raises as ``plan_week``."""
    happened = read_happened(what_happened)
    world = assemble_week(as_it_is(week, happened))
    rest = Repaired(world, happened)
    plan = find(rest.world, rest.make, talk=True)
    none = plan.status is Status.INFEASIBLE
    outcome = _without(plan, world, rest.again) if none else gather(plan, rest.gone)
    return replace(
        outcome, done=rest.done, fewest_changes=rest.fewest, missed=rest.missed, hold=rest.hold, coming=rest.coming
    )


def _without(plan: Plan, world: World, again: Callable[[SupplyCosts | None], WeekProgram] | None = None) -> Outcome:
    """There is no plan: say why. Nothing of what the solver has is shown."""
    never = impossible(world)
    status = Status.DO_NOT_MAKE if any(one.requirement.origin.legal for one in never) else Status.INFEASIBLE
    if not never:
        sys.stderr.write("no plan; looking for the reasons and the ways out\n")
    bare = Plan(plan.program, status=status, solved=plan.solved)
    return Outcome(bare, no_plan=no_plan(world, again))
