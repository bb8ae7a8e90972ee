"""A JSON document as every command prints it."""

from __future__ import annotations

import json
from typing import Any


def json_text(document: Any) -> str:
    """Two blanks a level, letters as they are, and a newline at the end."""
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
