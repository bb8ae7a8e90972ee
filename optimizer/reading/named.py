"""The rule packs and product classes that a recipe or a command names, found in its text alone.

A fault of a pack stands where the pack was named: in the recipe, or on the command line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from constraints.document import Document
from constraints.document.place import Loc
from constraints.faults import BadInput, Fault, likely, some
from constraints.library import load_pack, nearest_pack
from constraints.rules import Pack

MOST_LISTED = 4
"""Names that a message lists before it says where the rest stand."""


@dataclass(frozen=True)
class Stated:
    """The packs named, with the product class wanted: one name, one for each pack, or none.

    ``asked`` is True where they were named on the command line instead of in the recipe.
    """

    document: Document
    names: tuple[str, ...]
    wanted: str | Mapping[str, str] | None
    asked: bool = False

    @classmethod
    def typed(cls, document: Document) -> Stated:
        """What a document names as far as it can be read, whatever else is wrong with it."""
        rules, wanted = document.tree.get("rules"), document.tree.get("product_class")
        names = tuple(name for name in rules if isinstance(name, str)) if isinstance(rules, list) else ()
        if isinstance(wanted, dict):
            return cls(document, names, {key: name for key, name in wanted.items() if isinstance(name, str)})
        return cls(document, names, wanted if isinstance(wanted, str) else None)

    def class_for(self, name: str, pack: Pack) -> str | None:
        """The product class for a pack, by the pack's own name or as it was named."""
        wanted = self.wanted
        return wanted if wanted is None or isinstance(wanted, str) else wanted.get(pack.pack, wanted.get(name))

    def fault(self, loc: Loc, name: str, found: str, allowed: str) -> Fault:
        """A fault of one pack, at a place of the recipe or on the command line."""
        if self.asked:
            return Fault(f"--rules {name}", None, None, found, allowed)
        line, column = self.document.mark(loc)
        return Fault(self.document.file, line, column, found, allowed)

    def load(self, faults: list[Fault]) -> dict[str, Pack]:
        """Every pack that there is, by the name it was given; the others are faults."""
        packs = {}
        for i, name in enumerate(self.names):
            try:
                packs[name] = load_pack(name)
            except BadInput as error:
                faults += [
                    fault if fault.line else self.fault(("rules", i), name, fault.found, fault.allowed)
                    for fault in error.faults
                ]
        return packs

    def class_faults(self, packs: Mapping[str, Pack]) -> list[Fault]:
        """Every fault of a class, for a pack that there is or that was most likely meant."""
        meant = {name: packs.get(name) or (load_pack(near) if (near := nearest_pack(name)) else None)
                 for name in self.names}  # fmt: skip
        found = (self.class_fault(name, pack) for name, pack in meant.items() if pack is not None)
        return [fault for fault in found if fault is not None]

    def class_fault(self, name: str, pack: Pack) -> Fault | None:
        """What is wrong with the product class for a pack."""
        wanted, known = self.class_for(name, pack), [entry.id for entry in pack.classes]
        if wanted is None and pack.class_required:
            found = f"the rule pack {pack.pack} needs a product class"
            return self.fault(("product_class",), name, found, self._how(name, pack, known))
        if wanted is not None and known and wanted not in known:
            found = f"the rule pack {pack.pack} has no product class {wanted!r}"
            shared = isinstance(self.wanted, str) and any(map(self._fitting, self.names))  # right for another pack
            close = "" if shared else likely(wanted, known)
            hint = f"did you mean {close}?" if close else self._how(name, pack, known)
            return self.fault(("product_class",), name, found, hint)
        return None

    def _how(self, name: str, pack: Pack, known: Sequence[str]) -> str:
        """How to state a class, and which there are."""
        file = name if name.endswith((".yaml", ".yml")) else pack.pack
        classes = f"of {some(known, MOST_LISTED, f'trimwright rules {file}')}"
        if self.asked:
            return f"write --rules {name}=CLASS, {classes}"
        if len(self.names) > 1:
            each = ", ".join(f"{n}: {self._fitting(n) or 'CLASS'}" for n in self.names)
            return f"one class a pack, product_class: {{{each}}}; {pack.pack} has {classes.removeprefix('of ')}"
        return f"product_class: CLASS, {classes}"

    def _fitting(self, name: str) -> str | None:
        """The class wanted where the pack has it."""
        try:
            pack = load_pack(name)
        except BadInput:
            return None
        wanted = self.class_for(name, pack)
        return wanted if wanted in [entry.id for entry in pack.classes] else None


def pack_faults(document: Document) -> list[Fault]:
    """Unknown packs and classes of a recipe, whatever else is wrong with it."""
    faults: list[Fault] = []
    stated = Stated.typed(document)
    packs = stated.load(faults)
    return [*faults, *stated.class_faults(packs)]
