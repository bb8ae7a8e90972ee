"""``trimwright schema``: the JSON Schema of a recipe, for an editor to complete and check it."""

from __future__ import annotations

import sys


def schema() -> None:
    """Print the JSON Schema of a recipe; point your editor at it to complete and check recipes as you type."""
    import json

    from optimizer.reading.recipe import RecipeEntry

    sys.stdout.write(json.dumps(RecipeEntry.model_json_schema(by_alias=True), indent=2) + "\n")
