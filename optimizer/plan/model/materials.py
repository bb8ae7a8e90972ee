"""Rules on which materials go together, as yes-or-no columns in the program of a week."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction

from constraints.quantities import Basis
from optimizer.plan.files.week_file import MaterialRule, Scope
from optimizer.plan.model.blocks import Block, WeekProgram, most_of, used
from optimizer.solver.model import Model

_ZERO = Fraction(0)
LEAST_USED = Fraction("0.05")
"""Kilograms from which a material counts as used where a rule names no smallest amount: one usual scale division."""


def material_rules(program: WeekProgram) -> None:
    """Most materials, smallest amounts and if-this-then-that, in every batch or on every day."""
    rules = program.world.week.entry.materials
    if not rules:
        return
    for scope in Scope:
        mine = [rule for rule in rules if rule.per is scope]
        if not mine:
            continue
        groups: dict[tuple[int, ...], list[Block]] = defaultdict(list)
        for block in program.blocks:
            groups[(block.day,) if scope is Scope.DAY else (block.job.index, block.day)].append(block)
        for blocks in groups.values():
            _rules_in(program, blocks, mine)


def _rules_in(program: WeekProgram, blocks: Sequence[Block], rules: Sequence[MaterialRule]) -> None:
    model, world = program.model, program.world
    columns: dict[str, list[int]] = defaultdict(list)
    for block in blocks:
        for k, s in enumerate(block.supplies):
            columns[world.supplies[s].lot.material].append(block.start + k)
    most = sum((most_of(b, Basis.MEAT) for b in blocks), _ZERO)
    cap = {name: _cap(program, name, blocks, most) for name in columns}
    least: dict[str, Fraction] = {}
    counted: set[str] = set()
    for rule in rules:
        names = set(rule.of or columns)
        if rule.smallest_kg is not None:
            for name in names & set(columns):
                least[name] = max(least.get(name, _ZERO), rule.smallest_kg)
        if rule.most is not None:
            counted |= names
        if rule.then is not None:
            counted |= {*(rule.if_used or ()), rule.then}
            least.setdefault(rule.then, LEAST_USED)
    use = {}
    for name in sorted((counted | set(least)) & set(columns)):
        tops = model.tops(columns[name])
        use[name] = used(model, columns[name], tops, least.get(name, _ZERO), cap[name])
    for rule in rules:
        _rule_rows(model, rule, use, columns)


def _cap(program: WeekProgram, name: str, blocks: Sequence[Block], most: Fraction) -> Fraction:
    """The most of a material that fits: no more than the batches hold or a stage for that material lets through."""
    stages = program.world.week.entry.kitchen.stages
    limits = [st.kg_per_day for st in stages if st.materials and name in st.materials and st.kg_per_day is not None]
    return min([most, *limits]) if len({block.day for block in blocks}) == 1 else most


def _rule_rows(model: Model, rule: MaterialRule, use: dict[str, int], columns: dict[str, list[int]]) -> None:
    if rule.most is not None:
        names = [n for n in (rule.of or sorted(columns)) if n in use]
        if len(names) > rule.most:
            model.row([use[n] for n in names], [1] * len(names), hi=Fraction(rule.most))
    if rule.then is not None:
        for name in rule.if_used or ():
            if name not in use:
                continue
            if rule.then in use:
                model.row([use[name], use[rule.then]], [1, -1], hi=_ZERO)
            else:
                model.row([use[name]], [1], hi=_ZERO)
