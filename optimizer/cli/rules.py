"""``trimwright rules``: the limits the tool knows, with their sources."""

from __future__ import annotations

import sys
from datetime import date as Date

from optimizer.cli import shared
from optimizer.cli.shared import Figure, Typed, argument, flag, number, optional


def rules(
    pack: Typed = argument(
        "[PACK]",
        "Rule pack: a shipped one by name, your own by file.",
        default=None,
        autocompletion=shared.complete_pack,
    ),
    product_class: Typed = optional(
        "CLASS", "Only limits for this class of product.", "--class", autocompletion=shared.complete_class
    ),
    date: Date | None = optional(
        "YYYY-MM-DD", "Only limits in force on this day. Default: all; of one class, today's.", parser=shared.day
    ),
    kg: Figure = number("KG", "Say what each limit means in grams for so many kilograms. Default: 10 for one class."),
    verify: bool = flag("Prove that the pack's limits bind, agree and leave no class without.", "--verify"),
    unread: bool = flag("List the limits that were not read in the law's own words.", "--unread"),
    no_color: shared.NoColor = False,
    json: shared.Json = False,
) -> None:
    """List the rule packs, or one pack's classes and limits with their sources."""
    from constraints.faults import BadInput, Fault
    from constraints.library import GUARD, guard, load_pack, shipped
    from optimizer.pages.record import document
    from optimizer.pages.rules_page import Chosen, pack_page, packs_page, unread_page, verified

    day = date or (shared.today() if product_class else None)
    with shared.faults_on_stderr():
        if pack is None and not unread and not verify and (product_class or date or kg):
            raise BadInput([Fault("rules", None, None, "a class, a day and kilograms are of one pack", "rules PACK")])
        if verify or unread:
            packs = [load_pack(name) for name in (shipped() if pack is None else [pack])]
            text = "".join(map(verified, packs)) if verify else unread_page(packs)
        elif pack is None:
            text = document("rule-packs", [Chosen(load_pack(name)) for name in shipped()]) if json else packs_page()
        else:
            chosen = Chosen(guard() if pack == GUARD else load_pack(pack), product_class, day, kg)
            text = document("rules", chosen) if json else pack_page(chosen)
    sys.stdout.write(text)
