"""A YAML text as a tree of typed text in which every value has a place, and its check against a model.

YAML would turn ``no`` into false, ``007`` into 7 and ``1.5`` into a binary float. Here every scalar stays
the text that was typed; the field types (``Number``, ``Day``, ...) read that text, and every fault of
a file is reported at once with its line and column. Lines, columns and list entries are counted from 1.
"""

import os

# Looking for plugins reads the metadata of every installed package; none is used here.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from constraints.document.fields import Day as Day
from constraints.document.fields import Line as Line
from constraints.document.fields import Name as Name
from constraints.document.fields import NameOrEach as NameOrEach
from constraints.document.fields import Names as Names
from constraints.document.fields import NotNegative as NotNegative
from constraints.document.fields import Number as Number
from constraints.document.fields import Percent as Percent
from constraints.document.fields import Positive as Positive
from constraints.document.fields import PositivePercent as PositivePercent
from constraints.document.fields import Weight as Weight
from constraints.document.fields import Whole as Whole
from constraints.document.fields import YesNo as YesNo
from constraints.document.fields import refusal as refusal
from constraints.document.model import LATER as LATER
from constraints.document.model import Deferred as Deferred
from constraints.document.model import Strict as Strict
from constraints.document.parsing import DEEPEST as DEEPEST
from constraints.document.parsing import MOST_VALUES as MOST_VALUES
from constraints.document.parsing import parse as parse
from constraints.document.place import Document as Document
from constraints.document.place import Loc as Loc
from constraints.document.place import Mark as Mark
from constraints.document.place import Place as Place
from constraints.document.place import Tree as Tree
from constraints.document.place import shown_path as shown_path
from constraints.document.text import MOST_BYTES as MOST_BYTES
from constraints.document.text import read_text as read_text
from constraints.document.validation import validate as validate
