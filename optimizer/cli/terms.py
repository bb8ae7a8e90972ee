"""``trimwright terms``: what the words mean."""

from __future__ import annotations

import sys

import typer

from optimizer.cli.shared import Json, NoColor, Typed, argument


def terms(
    word: Typed = argument("[WORD]", "Only words that hold this one.", default=None),
    no_color: NoColor = False,
    json: Json = False,
) -> None:
    """Say what each word means here: one word per thing, in commands, options, keys and pages alike."""
    from json import dumps

    from optimizer.pages.tables import named
    from optimizer.wording import TERMS

    found = {name: text for name, text in TERMS.items() if word is None or word.casefold() in name}
    if not found:
        raise typer.BadParameter(f"no term holds {word!r}; trimwright terms lists them all", param_hint="WORD")
    text = dumps(found, indent=2) if json else "\n".join(named(list(found.items()), room=18))
    sys.stdout.write(text + "\n")
