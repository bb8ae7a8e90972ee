"""A YAML text as a tree of typed text in which every value has a place, and its check against a model.

YAML would turn ``no`` into false, ``007`` into 7 and ``1.5`` into a binary float. Here every scalar stays
the text that was typed; the field types (``Number``, ``Day``, ...) read that text, and every fault of
a file is reported at once with its line and column. Lines, columns and list entries are counted from 1.
"""

import os

# Looking for plugins reads the metadata of every installed package; none is used here.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from constraints.document.fields import LATER, Broken, Day, Deferred, Line, Name, NameOrEach, Names  # isort: skip
from constraints.document.fields import NotNegative, Number, Percent, Positive, PositivePercent  # isort: skip
from constraints.document.fields import Ruled, Strict, Weight, Whole, YesNo, refusal, validate  # isort: skip
from constraints.document.parsing import Loc, Parsed, Tree, label, packaged, packaged_rows, parse, read_text, shown_path

__all__ = [
    "LATER", "Broken", "Day", "Deferred", "Parsed", "Line", "Loc", "Name", "NameOrEach", "Names", "NotNegative",
    "Number", "Percent", "Positive", "PositivePercent", "Ruled", "Strict", "Tree", "Weight", "Whole", "YesNo",
    "label", "packaged", "packaged_rows", "parse", "read_text", "refusal", "shown_path", "validate",
]  # fmt: skip
