"""Where rule packs come from: those that come with the tool, a user's own by file, and the tool's own guard.

A pack is checked as it is read: every name known, every id once, every row able to bind and at odds with no other.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from functools import cache
from importlib.resources import files

from constraints.document import LATER, Document, parse, read_text, validate
from constraints.faults import BadInput, Fault, nearest
from constraints.rules import Pack, PackRow
from constraints.spelling import key
from constraints.verify import flaws


@cache
def shipped(folder: str = "packs") -> tuple[str, ...]:
    """Names of the packs, or of other files, that come with the tool."""
    every = (files("constraints") / folder).iterdir()
    return tuple(sorted(entry.name[:-5] for entry in every if entry.name.endswith(".yaml")))


def load_pack(name: str) -> Pack:
    """A shipped pack by name, or a pack of the user's own by its file's path (ending in ``.yaml``).

    Raises BadInput where there is no such pack or the file is faulty.
    """
    if name.endswith((".yaml", ".yml")):
        return _own_pack(read_text(name), name)
    if name not in shipped():
        close = nearest_pack(name)
        hint = f"did you mean {close}? " if close else ""
        known = f"known: {', '.join(shipped())}"
        raise BadInput([Fault(name, None, None, f"there is no rule pack named {name!r}", hint + known)])
    return _shipped_pack(name)


def nearest_pack(name: str) -> str | None:
    """The shipped pack that a name is most likely meant for: by spelling, or by the title of its place."""
    titles = {_shipped_pack(pack).title: pack for pack in shipped()}
    close = nearest(name, [*shipped(), *titles])
    return titles.get(close, close) if close else None


GUARD = "guard"
"""The name of the tool's own pack, which stands above all others."""


@cache
def guard() -> Pack:
    """The tool's own limits, a rule pack of two rows."""
    return read_pack((files("constraints") / "guard.yaml").read_text(encoding="utf-8"), "guard.yaml")


def _own_pack(text: str, file: str) -> Pack:
    """A pack of the user's own; it takes the name and the title of no other."""
    pack = read_pack(text, file)
    taken = {key(known) for known in (*shipped(), GUARD)}
    titles = {key(known.title) for known in (*map(_shipped_pack, shipped()), guard())}
    faults = []
    for at, name, others in (("pack", pack.pack, taken), ("title", pack.title, titles)):
        if key(name) in others:
            found = f"{name!r} stands for a pack that comes with the tool"
            faults.append(parse(text, file).fault((at,), found, "a name of your own"))
    if faults:
        raise BadInput(faults)
    return pack


@cache
def _shipped_pack(name: str) -> Pack:
    text = (files("constraints") / "packs" / f"{name}.yaml").read_text(encoding="utf-8")
    # The tests read every row of a shipped pack; here only those that are in force are.
    return read_pack(text, f"{name}.yaml", LATER)


def read_pack(text: str, file: str, context: object = None) -> Pack:
    """Read a pack from text; with the context LATER its limits are read only when they are asked for.

    Raises BadInput with every fault: unknown kinds, keys and classes, rows without a source, blanks, repeated ids,
    a ``same_as`` that leads nowhere; and rows that can never bind, contradict one another or overlap in time.
    """
    document = parse(text, file)
    pack = validate(document, Pack, context=context)
    base = _base_of(pack, document)
    wider = () if base is None else base.classes
    faults = [
        *_repeated("rows", [row.id for row in pack.rows], (), document),
        *_repeated("classes", [c.id for c in pack.classes], [c.id for c in wider], document),
        *_unknown_classes(pack, [c.id for c in (*pack.classes, *wider)], document),
    ]
    if faults:
        raise BadInput(faults)
    whole = pack if base is None else _joined(pack, base)
    faults = [] if context is LATER else [*_flaws(pack, whole, document)]
    if faults:
        raise BadInput(faults)
    return whole


def _flaws(pack: Pack, whole: Pack, document: Document) -> Iterator[Fault]:
    """Rows of this file that can never bind, contradict others or overlap them."""
    at = {row.id: i for i, row in enumerate(pack.rows)}
    for flaw in flaws(whole, at):
        yield document.fault(("rows", at[flaw.where], "id"), f"{flaw.where}: {flaw.found}", flaw.allowed)


def _base_of(pack: Pack, document: Document) -> Pack | None:
    """The pack that ``same_as`` names, which stands on its own feet."""
    if pack.same_as is None:
        return None
    if pack.same_as in shipped() and pack.same_as != pack.pack:
        base = load_pack(pack.same_as)
        if base.same_as is None:
            return base
    allowed = f"another shipped pack that is not itself the same as one: {', '.join(shipped())}"
    raise BadInput([document.fault(("same_as",), f"{pack.same_as!r} cannot be used here", allowed)])


def _joined(pack: Pack, base: Pack) -> Pack:
    """The pack with the base's classes and rows before its own."""
    rows = tuple(_taken_over(row, pack, base) for row in base.rows if pack.as_of is None or row.in_force_on(pack.as_of))
    required = pack.class_required or base.class_required
    update = {
        "not_covered": base.not_covered + pack.not_covered,
        "classes": base.classes + pack.classes,
        "rows": rows + pack.rows,
        "notes": (() if pack.as_of else base.notes) + pack.notes,
        "class_required": required,
    }
    return pack.model_copy(update=update)


def _taken_over(row: PackRow, pack: Pack, base: Pack) -> PackRow:
    """A base's row under this pack's name; of those of one day, for good and without the year in its name."""
    name = f"{pack.pack}-{row.id.removeprefix(base.pack + '-')}"
    if pack.as_of is None:
        return row.model_copy(update={"id": name})
    source = f"retained, as it stood on {pack.as_of}: {row.source}"
    second_hand = f"read in the text of the {base.title}; that {pack.title} has not changed it since is second hand"
    note = "; ".join(filter(None, [row.note, second_hand]))
    update = {"id": re.sub(r"-\d{4}$", "", name), "source": source, "valid_to": None, "note": note}
    return row.model_copy(update=update)


def _repeated(key: str, ids: list[str], others: Collection[str], document: Document) -> Iterator[Fault]:
    seen = set(others)
    for i, name in enumerate(ids):
        if name in seen:
            yield document.fault((key, i, "id"), f"{name!r} stands twice", "ids are unique")
        seen.add(name)


def _unknown_classes(pack: Pack, known: list[str], document: Document) -> Iterator[Fault]:
    places = [(("rows", i, "classes"), row.classes) for i, row in enumerate(pack.rows)]
    places += [(("rows", i, "not_classes"), row.not_classes) for i, row in enumerate(pack.rows)]
    places += [(("classes", i, "also"), entry.also) for i, entry in enumerate(pack.classes)]
    places += [(("not_covered", i, "classes"), entry.classes) for i, entry in enumerate(pack.not_covered)]
    for loc, name in [((*loc, k), name) for loc, names in places for k, name in enumerate(names)]:
        if name not in known:
            close = nearest(name, known)
            hint = f"did you mean {close}?" if close else f"known: {', '.join(sorted(known))}"
            yield document.fault(loc, f"no product class {name!r} in this pack", hint)
