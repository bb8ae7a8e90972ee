"""Reading YAML as typed text with places, and saying every fault of a file in plain words.

Outside oracles: the library's own all-text loader for what a text means, its writer for round trips, and the
list of the validation library's error kinds, none of whose wording may reach a user.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import warnings
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import pytest
import yaml
from hypothesis import given, settings, strategies as st
from pydantic import (
    BaseModel,
    BeforeValidator,
    Field,
    TypeAdapter,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError, PydanticKnownError
from pydantic_core.core_schema import ErrorType

from constraints.as_typed import BadInput, Fault, Severity
from constraints.document import (
    Day,
    Loc,
    Name,
    NameOrEach,
    NotNegative,
    Number,
    Parsed,
    Percent,
    Positive,
    PositivePercent,
    Strict,
    Tree,
    Whole,
    YesNo,
    parse,
    parsing as module,
    read_text,
    refusal,
    shown_path,
    validate,
)
from constraints.document.fields import JsonSchema
from constraints.document.parsing import DEEPEST, MOST_BYTES, MOST_VALUES

ROOT = Path(__file__).resolve().parent.parent
# Both loaders where the C one is built in: they word and place things differently.
LOADERS = list(dict.fromkeys([yaml.SafeLoader, module._LOADER]))


@pytest.fixture(params=LOADERS, ids=lambda loader: loader.__name__.strip("_"))
def loader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Run the test with this loader."""
    monkeypatch.setattr(module, "_LOADER", request.param)
    return request.param


def tried(text: str, model: type[BaseModel] | None = None) -> Parsed | tuple[Fault, ...]:
    """The document of a text, or its faults."""
    try:
        document = parse(text, "r.yaml")
        if model is not None:
            validate(document, model)
    except BadInput as bad:
        return bad.faults
    return document


def faults_of(text: str, model: type[BaseModel] | None = None) -> tuple[Fault, ...]:
    """The faults of a text; the test fails when it has none."""
    faults = tried(text, model)
    assert isinstance(faults, tuple), "the text has no fault"
    return faults


def says(fault: Fault, line: int | None, column: int | str | None, *words: str) -> None:
    """Assert where a fault is and that its words hold all of ``words``."""
    assert (fault.line, fault.column) == (line, column), str(fault)
    for word in words:
        assert word in f"{fault.found} | {fault.allowed}", f"{word!r} is not in: {fault}"


# ---------------------------------------------------------------------------------------------------------
# Files


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"a: 1\n", "a: 1\n"),
        (b"\xef\xbb\xbfa: 1\n", "a: 1\n"),
        ("ä: 24.5 °C €\n".encode(), "ä: 24.5 °C €\n"),
        (b"a: 1\r\nb: 2\r\n", "a: 1\r\nb: 2\r\n"),
        (b"", ""),
    ],
)
def test_read_text(tmp_path: Path, data: bytes, text: str) -> None:
    path = tmp_path / "r.yaml"
    path.write_bytes(data)
    assert read_text(str(path)) == text


@pytest.mark.parametrize(
    ("data", "line", "column", "words"),
    [
        (b"a: 1\nb: K\xe4se\n", 2, 5, ["line 2", "0xE4", "UTF-8"]),
        (b"\xff", 1, 1, ["0xFF", "UTF-8"]),
        ("ä: ".encode() + b"\x80", 1, 4, ["0x80"]),
        (b"\xef\xbb\xbfa: \xe4", 1, 4, ["0xE4"]),
        ("a: 1\n".encode("utf-16"), None, None, ["UTF-16", "save the file as UTF-8"]),
        (b"\xfe\xff" + "a: 1\n".encode("utf-16-be"), None, None, ["UTF-16"]),
        (b"\x00\x00\xfe\xff" + "a: 1\n".encode("utf-32-be"), None, None, ["UTF-32"]),
        ("a: 1\n".encode("utf-16-le"), 1, None, ["NUL", "UTF-16", "save the file as UTF-8"]),
        (b"a: 1\nb: \x00\n", 2, None, ["NUL"]),
    ],
)
def test_read_text_refuses_what_is_not_utf_8(
    tmp_path: Path, data: bytes, line: int | None, column: int | None, words: list[str]
) -> None:
    path = tmp_path / "r.yaml"
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        read_text(str(path))
    (fault,) = caught.value.faults
    assert fault.file == str(path)
    says(fault, line, column, *words)


def test_read_text_refuses_what_is_no_file(tmp_path: Path) -> None:
    huge = tmp_path / "huge.yaml"
    with huge.open("wb") as handle:
        handle.truncate(MOST_BYTES + 1)  # sparse: takes no room on the disk
    cases = [
        (str(tmp_path / "none.yaml"), "no such file"),
        (str(tmp_path), "directory"),
        (str(huge / "inside.yaml"), "cannot be read"),
        (str(huge), "larger than 20 MB"),
        ("a\0b", "cannot be read"),
        ("x" * 5000, "cannot be read"),
    ]
    for path, words in cases:
        with pytest.raises(BadInput) as caught:
            read_text(path)
        (fault,) = caught.value.faults
        says(fault, None, None, words)
        assert fault.allowed


def test_the_largest_file_allowed_is_read(tmp_path: Path) -> None:
    path = tmp_path / "r.yaml"
    path.write_bytes(b"#" * MOST_BYTES)
    assert len(read_text(str(path))) == MOST_BYTES


def test_read_text_refuses_a_file_without_permission(tmp_path: Path) -> None:
    path = tmp_path / "r.yaml"
    path.write_text("a: 1\n")
    path.chmod(0)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)  # the superuser may read everything
    try:
        with pytest.raises(BadInput) as caught:
            read_text(str(path))
    finally:
        if root:
            os.seteuid(0)
    (fault,) = caught.value.faults
    says(fault, None, None, "may not read", "permission")


READ_STDIN = """
from constraints.document import parse, read_text
from constraints.as_typed import BadInput
try:
    print(ascii(parse(read_text("-"), "-").tree))
except BadInput as bad:
    print(bad)
"""


@pytest.mark.parametrize(
    ("data", "out"),
    [
        (b"\xef\xbb\xbfa: \xc3\xa4\n", r"{'a': '\xe4'}"),
        (b"a: \xe4\n", "standard input:1:4: error: line 1 holds the byte 0xE4, which is not UTF-8"),
        (b"a: 1\na: 2\n", "standard input:2:1: error: the key 'a' stands on line 1 and again on line 2"),
    ],
)
def test_standard_input(data: bytes, out: str) -> None:
    command = [sys.executable, "-c", READ_STDIN]
    ran = subprocess.run(command, input=data, capture_output=True, cwd=ROOT, check=True)
    assert ran.stdout.decode().startswith(out)


def test_no_standard_input_at_all() -> None:
    shell = ["sh", "-c", 'exec "$0" -c "$1" <&-', sys.executable, READ_STDIN]
    ran = subprocess.run(shell, capture_output=True, cwd=ROOT, check=True)
    assert ran.stdout.decode().startswith("standard input: error: the file cannot be read")


# ---------------------------------------------------------------------------------------------------------
# What a text means


@pytest.mark.parametrize(
    "typed",
    [
        *[
            "no",
            "yes",
            "on",
            "true",
            "False",
            "NA",
            "null",
            "Null",
            "~",
            "007",
            "0x1F",
            "1E5",
            "1e3",
            "1_000",
        ],
        *[".nan", "-.inf", "12:30:45", "2026-01-02", "1,5", "30%", "5.", "=", "<<", "-x", "?x", "a:b", "a#b"],
    ],
)
def test_scalars_stay_as_typed(loader: Any, typed: str) -> None:
    assert parse(f"a: {typed}\nb: [{typed.replace(',', '.')}]\n", "r").tree["a"] == typed


def test_shapes(loader: Any) -> None:
    text = """\
empty:
quoted: ""
single: 'it''s'
double: "tab\\tand \\u00e4"
block: |
  one
  two
flow: {x: 1, y: , "007": [a, [b], {}]}
list:
- 1
-
- - 2
no: 'no'
long: one
  two
"""
    assert parse(text, "r").tree == {
        "empty": None,
        "quoted": "",
        "single": "it's",
        "double": "tab\tand ä",
        "block": "one\ntwo\n",
        "flow": {"x": "1", "y": None, "007": ["a", ["b"], {}]},
        "list": ["1", None, ["2"]],
        "no": "no",
        "long": "one two",
    }


def test_aliases_are_the_value_they_name(loader: Any) -> None:
    document = parse("a: &x {k: 1}\nb: *x\nc: [*x, *x]\n*x2 : 3\n".replace("*x2 ", "d"), "r")
    assert document.tree == {"a": {"k": "1"}, "b": {"k": "1"}, "c": [{"k": "1"}, {"k": "1"}], "d": "3"}
    assert document.mark(("c", 1, "k")) == (1, 11), "a fault belongs where the figure was typed"


MARKED = """\
name: ä 🥩 sausage
fat: {min: 24, max: "30"}

additions:
  - name: salt
    grams:
  -   # a comment
    name: pepper
"""


@pytest.mark.parametrize(
    ("loc", "value", "key"),
    [
        ((), (1, 1), (1, 1)),
        (("name",), (1, 7), (1, 1)),
        (("fat",), (2, 6), (2, 1)),
        (("fat", "max"), (2, 21), (2, 16)),
        (("additions",), (5, 3), (4, 1)),
        (("additions", 0), (5, 5), (5, 5)),
        (("additions", 0, "grams"), (6, 5), (6, 5)),
        (("additions", 1), (8, 5), (8, 5)),
        (("additions", 1, "name"), (8, 11), (8, 5)),
        (("fat", "mean"), (2, 6), (2, 6)),
        (("fat", "mean", "deeper", 3), (2, 6), (2, 6)),
        (("additions", 7, "name"), (5, 3), (5, 3)),
        (("unknown",), (1, 1), (1, 1)),
    ],
)
def test_marks(loader: Any, loc: Loc, value: tuple[int, int], key: tuple[int, int]) -> None:
    document = parse(MARKED, "r")
    assert document.mark(loc) == value
    assert document.mark(loc, key=True) == key


def test_a_byte_order_mark_does_not_move_the_columns(loader: Any) -> None:
    assert parse("\ufeffa: 1", "r").mark(("a",)) == (1, 4)


# ---------------------------------------------------------------------------------------------------------
# What may not stand in a file


Said = tuple[int | None, int | str | None, str]
ANYWHERE = "anywhere"
"""The two loaders do not agree on the column: how far one reads ahead, where nothing stands."""

BROKEN: list[tuple[str, list[Said]]] = [
    ("", [(None, None, "empty")]),
    ("\n\n# only a comment\n", [(None, None, "empty")]),
    ("---\n", [(None, None, "empty")]),
    ("- a\n- b\n", [(1, 1, "a list stands at the top")]),
    ("\nfat:24\n", [(2, 1, "a space behind the colon")]),
    ("a: 1\n---\nb: 2\n", [(2, 1, "second document")]),
    ("a: 1\nb: 2\na: 3\n", [(3, 1, "'a' stands on line 1 and again on line 3")]),
    ("a: 1\n'a': 2\n", [(2, 1, "on line 1 and again on line 2")]),
    ("x:\n  - {b: 1, b: 2}\n", [(2, 12, "'b' stands on line 2")]),
    ("? [a, b]\n: 1\n", [(1, 3, "a list stands as a key")]),
    ("a: {{ b }}\n", [(1, 5, "a mapping stands as a key")]),
    ("? \n: 1\n", [(1, ANYWHERE, "empty key")]),
    ("'': 1\n", [(1, 1, "empty key")]),
    ("a: !!python/name:os.system\n", [(1, 4, "tag '!!python/name:os.system'")]),
    ("a: !!str 5\n", [(1, 4, "tag '!!str'")]),
    ("a: &x !!int 5\n", [(1, 4, "tag '!!int'")]),
    ("a: ! 5\n", [(1, 4, "tag '!'")]),
    ("a: !thing {b: 1}\n", [(1, 4, "tag '!thing'")]),
    ("a: !\n  - 1\n", [(1, 4, "tag '!'")]),
    ("!!str a: 1\n", [(1, 1, "tag '!!str'")]),
    ("!!map\na: 1\n", [(1, 1, "tag '!!map'")]),
    ("a: &x [1, *x]\n", [(1, 4, "contains itself")]),
    ("a: &x {b: {c: *x}}\n", [(1, 4, "contains itself")]),
    ("a: &x {b: 1}\nc:\n  <<: *x\n", [(3, 3, "merge key '<<'")]),
    ('a: "\\e[31m"\n', [(1, 4, "U+001B")]),
    ('"\\0": 1\n', [(1, 1, "U+0000")]),
    ("a: 1\nb: \x07\n", [(2, 4, "U+0007")]),
    ("a: 1\nb: \ufeffx\n", [(2, 4, "U+FEFF")]),
    ("a: \ud800\n", [(1, 4, "U+D800")]),
    ("a:\n\tb: 1\n", [(2, 1, "tab")]),
    ("a: 1\n\tb: 1\n", [(2, 1, "tab")]),
    ("\ta: 1\n", [(1, 1, "tab")]),
    ("a:\n  - b: 1\n \t c: 2\n", [(3, 2, "tab")]),
    ("note: pork: fresh\n", [(1, 11, "a colon cannot stand here")]),
    ("a: 1\n b: 2\n", [(2, 3, "line up the keys")]),
    ("a:\n  b: 1\n c: 2\n", [(3, 2, "does not fit")]),
    ("a: 1\n- b\n", [(2, 1, "does not fit")]),
    ("a: 'b' c\n", [(1, 8, "does not fit")]),
    ("a: 1\nb\nc: 2\n", [(2, 1, "no colon")]),
    ("a: 1\nb: 'x\nc: 2\n", [(2, 4, "quote opened here is never closed")]),
    ("a: 'x\n---\nb: 1\n", [(1, 4, "quote opened here is never closed")]),
    ("a: [1, 2\nb: 3\n", [(1, 4, "'[' opened here")]),
    ("a: {b: 1\nc: 2\n", [(1, 4, "'{' opened here")]),
    ("a: %5\n", [(1, 4, "in quotes")]),
    ("a: @x\n", [(1, 4, "in quotes")]),
    ("a: *\n", [(1, 4, "cannot start with '*'")]),
    ("a: *x\n", [(1, 4, "stands nowhere above")]),
    ("a: &\n", [(1, 4, "cannot start with '&'")]),
    ("a: !<x\n", [(1, 4, "cannot start with '!'")]),
    ("a: !x!y z\n", [(1, 4, "cannot start with '!'")]),
    ("a: &x 1\nb: &x 2\n", [(2, 4, "second time")]),
    ("a: |x\n  b\n", [(1, 4, "behind '|'")]),
    ("a: - b\n", [(1, 4, "list entry cannot stand here")]),
    ("a: ? b\n", [(1, 4, "question mark")]),
    ("a: }\n", [(1, 4, "where a value is needed")]),
    ("%YAML 3.0\n---\na: 1\n", [(1, 1, "cannot start with '%'")]),
    ("[" * 5000, [(1, ANYWHERE, "nested too deep")]),
    ("- " * 5000, [(1, 2 * DEEPEST + 1, "nested too deep")]),
    (
        "a: 1\na: 2\nb: !x 1\n<<: 3\n? [q]\n: 1\nc: {d: 1, d: 2}\n",
        [
            (2, 1, "'a' stands on line 1"),
            (3, 4, "tag"),
            (4, 1, "merge key"),
            (5, 3, "as a key"),
            (7, 11, "'d' stands"),
        ],
    ),
]


@pytest.mark.parametrize(("text", "expected"), BROKEN, ids=[repr(text[:30]) for text, _ in BROKEN])
def test_what_may_not_stand_in_a_file(loader: Any, text: str, expected: list[Said]) -> None:
    faults = faults_of(text)
    assert len(faults) == len(expected), [str(fault) for fault in faults]
    for fault, (line, column, words) in zip(faults, expected, strict=True):
        says(fault, line, fault.column if column is ANYWHERE else column, words)
        assert fault.file == "r.yaml"
        assert fault.severity is Severity.ERROR
        assert fault.allowed, "a fault says what is allowed"


def test_escapes_that_are_none(loader: Any) -> None:
    for text in ('a: "\\q"\n', 'a: "\\xZZ"\n', 'a: "\\UFFFFFFFF"\n', 'a: "\\ud800"\n'):
        (fault,) = faults_of(text)
        assert fault.found and fault.allowed


def nested(levels: int) -> str:
    return "a: " + "[" * (levels - 1) + "x" + "]" * (levels - 1) + "\n"


def test_nesting_is_allowed_up_to_the_limit(loader: Any) -> None:
    assert parse(nested(DEEPEST), "r").tree
    says(faults_of(nested(DEEPEST + 1))[0], 1, 3 + DEEPEST, "nested too deep", str(DEEPEST))


def test_nesting_through_aliases_counts(loader: Any) -> None:
    text = "a0: &a0 [x]\n" + "".join(f"a{i + 1}: &a{i + 1} [*a{i}]\n" for i in range(DEEPEST - 2))
    assert parse(text, "r").tree
    text += f"b: [[*a{DEEPEST - 2}]]\n"
    assert "nested too deep" in faults_of(text)[0].found


def test_aliases_cannot_multiply_without_end(loader: Any) -> None:
    text = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n"
    text += "".join(f"a{i + 1}: &a{i + 1} [{', '.join([f'*a{i}'] * 9)}]\n" for i in range(9))
    (fault,) = faults_of(text)
    assert "too many values" in fault.found
    assert fault.line is not None


def test_the_number_of_values_is_limited() -> None:
    assert len(parse("a:\n" + "- x\n" * (MOST_VALUES - 3), "r").tree["a"] or "") == MOST_VALUES - 3
    (fault,) = faults_of("a:\n" + "- x\n" * MOST_VALUES)
    says(fault, fault.line, 1, "too many values", str(MOST_VALUES))


# ---------------------------------------------------------------------------------------------------------
# Any text at all

YAML_LIKE = st.lists(
    st.sampled_from(
        [
            *"abé🥩01 :-,?[]{}&*!|>'\"%@`#~\t\n\\=<.\x85\u2028\ufeff\x00",
            *[
                "\n  ",
                "\n- ",
                ": ",
                "key: ",
                "\nkey: ",
                "&a ",
                "*a",
                "!!str ",
                "---\n",
                "<<: ",
                "\\x",
                "%YAML 1.1\n",
            ],
        ]
    ),
    max_size=30,
).map("".join)


def without_none(tree: Tree) -> Any:
    if isinstance(tree, dict):
        return {key: without_none(value) for key, value in tree.items()}
    if isinstance(tree, list):
        return [without_none(value) for value in tree]
    return tree or ""


def leaves(tree: Tree, loc: Loc = ()) -> Iterator[tuple[Loc, str | None]]:
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from leaves(value, (*loc, key))
    elif isinstance(tree, list):
        for index, value in enumerate(tree):
            yield from leaves(value, (*loc, index))
    else:
        yield loc, tree


@pytest.mark.parametrize("used", LOADERS)
@settings(max_examples=400, derandomize=True, deadline=None, database=None)
@given(text=st.one_of(YAML_LIKE, YAML_LIKE.map("a: ".__add__), st.text(max_size=40)))
def test_any_text_is_read_or_refused(used: Any, text: str) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_LOADER", used)
        document = tried(text)
    if isinstance(document, tuple):
        assert document
        for fault in document:
            assert str(fault).isprintable()
        return
    # What is accepted means what the library's own all-text loader, on the same parser, reads.
    base = yaml.BaseLoader if used is yaml.SafeLoader else yaml.CBaseLoader
    assert without_none(document.tree) == yaml.load(text.removeprefix("\ufeff"), Loader=base)
    lines = yaml_lines(text.removeprefix("\ufeff"))
    for loc, value in leaves(document.tree):
        line, column = document.mark(loc)
        assert 1 <= line <= len(lines)
        assert 1 <= column <= len(lines[line - 1]) + 1
        typed = lines[line - 1][column - 1 :]
        if value and value.isalnum() and typed[:1] not in ("'", '"', "|", ">", "&"):
            assert typed.startswith(value), (loc, value, typed)


def yaml_lines(text: str) -> list[str]:
    """Lines as YAML 1.1 breaks them."""
    for mark in ("\r\n", "\r", "\x85", "\u2028", "\u2029"):
        text = text.replace(mark, "\n")
    return text.split("\n")


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs"), exclude_characters="\ufeff\ufffe\uffff"))
TREES = st.recursive(
    WORDS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(WORDS.filter(bool), inner, max_size=3)),
    max_leaves=8,
)


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(
    tree=st.dictionaries(WORDS.filter(bool), TREES, min_size=1, max_size=3),
    style=st.sampled_from(['"', "'"]),
    flow=st.booleans(),
)
def test_what_was_written_is_read_back(tree: dict[str, Tree], style: str, flow: bool) -> None:
    text = yaml.safe_dump(tree, default_style=style, default_flow_style=flow, allow_unicode=True)
    assert parse(text, "r").tree == tree


# ---------------------------------------------------------------------------------------------------------
# Field types

NUMBERS: list[tuple[Any, dict[str, Any], str]] = [
    (Number, {"type": "number"}, "a number"),
    (Positive, {"type": "number", "exclusiveMinimum": 0}, "a number above 0"),
    (NotNegative, {"type": "number", "minimum": 0}, "0 or more"),
    (Percent, {"type": "number", "minimum": 0, "maximum": 100}, "from 0 to 100"),
    (PositivePercent, {"type": "number", "exclusiveMinimum": 0, "maximum": 100}, "above 0 and at most 100"),
    (Whole, {"type": "integer", "minimum": 1}, "a whole number of 1 or more"),
]
FIGURES = ["-5", "-0.001", "0", "-0", "0.0", "+.5", "007", "1", "1.0", "99.999", "100", "100.001", "1000"]


def fits(schema: dict[str, Any], figure: Fraction) -> bool:
    """Whether a figure obeys a number's JSON Schema, by the schema's own rules."""
    return (
        figure >= schema.get("minimum", figure)
        and figure <= schema.get("maximum", figure)
        and figure > schema.get("exclusiveMinimum", figure - 1)
        and (schema["type"] == "number" or figure.denominator == 1)
    )


@pytest.mark.parametrize(("kind", "schema", "allowed"), NUMBERS)
@pytest.mark.parametrize("typed", FIGURES)
def test_numbers_take_what_their_schema_allows(kind: Any, schema: dict[str, Any], allowed: str, typed: str) -> None:
    adapter: TypeAdapter[Any] = TypeAdapter(kind)
    assert adapter.json_schema() == schema
    figure = Fraction(typed)
    for value in (typed, f" {typed} ", figure, int(figure) if figure.denominator == 1 else figure):
        if fits(schema, figure):
            read = adapter.validate_python(value)
            assert read == figure
            assert type(read) is (int if kind is Whole else Fraction)
        else:
            with pytest.raises(ValidationError) as caught:
                adapter.validate_python(value)
            assert allowed in str(caught.value)


@pytest.mark.parametrize(("kind", "schema", "allowed"), NUMBERS)
@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("30%", "30% has a percent sign; write 30"),
        ("1,5", "1,5 has a decimal comma; write 1.5"),
        ("1e3", "1e3 has an exponent"),
        (".nan", ".nan is not a finite number"),
        ("-.inf", "-.inf is not a finite number"),
        ("inf", "inf is not a finite number"),
        ("1_000", "not a plain decimal number"),
        ("0x10", "not a plain decimal number"),
        ("1/3", "not a plain decimal number"),
        ("\u0663", "not a plain decimal number"),
        ("yes", "not a plain decimal number"),
        ("", "nothing stands here"),
        ("9" * 41, "more than 40 characters"),
        (None, "nothing stands here"),
        (["1"], "a list stands here"),
        ({"a": "1"}, "a mapping stands here"),
        (1.0, "binary float"),
        (float("nan"), "binary float"),
        (float("inf"), "binary float"),
        (True, "'True' stands here"),
        (Decimal("1"), "'1' stands here"),
    ],
)
def test_numbers_refuse(kind: Any, schema: dict[str, Any], allowed: str, value: Any, words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(kind).validate_python(value)
    assert caught.value.error_count() == 1
    assert words in str(caught.value)
    assert allowed in str(caught.value)


def test_a_figure_is_read_exactly() -> None:
    number: TypeAdapter[Any] = TypeAdapter(Number)
    assert number.validate_python("0.0025") * number.validate_python("0.0625") == Fraction(1, 6400)


@pytest.mark.parametrize(
    ("kind", "value", "read"),
    [
        (YesNo, "yes", True),
        (YesNo, "True", True),
        (YesNo, " NO ", False),
        (YesNo, "false", False),
        (YesNo, True, True),
        (YesNo, False, False),
        (Day, "2024-02-29", date(2024, 2, 29)),
        (Day, " 0001-01-01 ", date(1, 1, 1)),
        (Day, date(2026, 7, 1), date(2026, 7, 1)),
        (Name, " Pork trim 80/20 ", "Pork trim 80/20"),
        (Name, "no", "no"),
        (Name, "007", "007"),
        (Whole, Fraction(4, 2), 2),
    ],
)
def test_words_and_days(kind: Any, value: Any, read: Any) -> None:
    found: Any = TypeAdapter(kind).validate_python(value)
    assert found == read
    assert type(found) is type(read)


NOT_YES_NO: list[Any] = ["on", "y", "1", "0", "", None, [], 1, 0.0]
NO_DAYS: list[Any] = [
    *["20260102", "2026-1-2", "02.01.2026", "2026-W01-1", "2026-01-02T00:00", "", None, {}],
    *["\u0662\u0660\u0662\u0666-\u0660\u0661-\u0660\u0662", datetime(2026, 1, 2), 20260102],
]
NO_NAMES: list[Any] = ["", "  ", None, [], {}, 5, True]


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        *[(YesNo, value, "true, false, yes or no") for value in NOT_YES_NO],
        *[(Day, value, "stands here (allowed: a date as YYYY-MM-DD)") for value in NO_DAYS],
        (Day, "2026-02-30", "2026-02-30 is an impossible date"),
        (Day, "2026-13-01", "impossible date"),
        (Day, "0000-01-01", "impossible date"),
        *[(Name, value, "a text that is not empty") for value in NO_NAMES],
        (Whole, "2.5", "2.5 is not a whole number"),
        (Whole, "0", "0 is too small"),
        (Whole, Fraction(1, 2), "0.5 is not a whole number"),
    ],
)
def test_words_and_days_refuse(kind: Any, value: Any, words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(kind).validate_python(value)
    assert caught.value.error_count() == 1
    assert words in str(caught.value)


# ---------------------------------------------------------------------------------------------------------
# Models


class Use(StrEnum):
    SALT = "salt"
    CURE = "cure"
    SPICE = "spice"


class Band(Strict):
    """A figure between two others."""

    low: NotNegative = Fraction(0)
    """Smallest allowed."""
    high: Percent = Fraction(61, 2)
    """Largest allowed."""

    @model_validator(mode="after")
    def _in_order(self) -> Band:
        if self.low > self.high:
            raise refusal("low is above high", "low up to high", at=("low",))
        return self


class Addition(Strict):
    name: Name
    grams_per_kg: Positive
    nitrite_pct: Percent | None = None
    use: Use = Use.SALT


class Smoke(Strict):
    step: Literal["smoke", "cook"]
    hours: Positive
    smoke: dict[str, Name] = Field(default_factory=dict)


class Flat(Strict):
    width: Positive
    sides: dict[str, Band] = Field(default_factory=dict)


class Sample(Strict):
    """What the tests read."""

    name: Name
    batch_kg: Positive
    """Kilograms that go into the mixer."""
    made_on: Day | None = None
    lots: Whole = 1
    hold: YesNo = False
    percent: Number = Fraction(30)
    fat: Band = Field(default_factory=Band)
    additions: list[Addition] = Field(default_factory=list)
    shares: dict[Use, Percent] = Field(default_factory=dict)
    steps: list[Smoke] = Field(default_factory=list)
    casing: Flat | None = None
    cut: list[Number] | None = None
    pair: tuple[Whole, Name] = (1, "x")
    named: NameOrEach = "x"
    notes: tuple[Name, ...] = ()
    plain_text: str = ""
    also_called: Annotated[Number, Field(alias="called")] = Fraction(1)
    odd: str = ""

    @field_validator("odd")
    @classmethod
    def _never_bad(cls, value: str) -> str:
        if value == "bad":
            raise ValueError("odd is bad")
        if value == "own":
            raise PydanticCustomError("own", "a word of its own")
        if value == "bare":
            raise AssertionError
        return value


HEAD = "name: Test\nbatch_kg: 50\n"
VALID = """\
name: no
batch_kg: 007
made_on: 2026-02-28
lots: 3
hold: NO
fat: {low: 10, high: 30.5}
additions:
  - name: salt
    grams_per_kg: 18
  - {name: cure, grams_per_kg: 2.5, nitrite_pct: 0.6, use: cure}
shares: {salt: 40, spice: 60}
steps:
  - step: smoke
    hours: 2
    smoke: {wood: beech}
casing:
  width: 60
  sides: {left: {low: 1}}
percent: 4.5
cut: [1, 2]
named: {us: a}
pair: [2, y]
notes: [a, b]
called: 2
"""


def test_a_valid_file(loader: Any) -> None:
    sample = validate(parse(VALID, "r"), Sample)
    assert sample.name == "no"
    assert sample.batch_kg == 7
    assert sample.made_on == date(2026, 2, 28)
    assert (sample.lots, sample.hold) == (3, False)
    assert sample.fat == Band(low=Fraction(10), high=Fraction(61, 2))
    assert sample.additions[0].nitrite_pct is None
    assert sample.additions[1].nitrite_pct == Fraction(3, 5)
    assert sample.additions[1].use is Use.CURE
    assert sample.shares == {Use.SALT: 40, Use.SPICE: 60}
    assert sample.steps[0] == Smoke(step="smoke", hours=Fraction(2), smoke={"wood": "beech"})
    assert sample.casing is not None and sample.casing.width == 60
    assert sample.percent == Fraction(9, 2)
    assert sample.named == {"us": "a"}
    assert sample.cut == [Fraction(1), Fraction(2)]
    assert sample.pair == (2, "y")
    assert list(sample.notes) == ["a", "b"]
    assert sample.also_called == 2


ONE_FAULT: list[tuple[str, int, int, list[str]]] = [
    # wrong figures
    ("lots: 30%", 3, 7, ["lots: 30% has a percent sign; write 30", "a whole number of 1 or more"]),
    ("percent: 1,5", 3, 10, ["percent: 1,5 has a decimal comma; write 1.5", "a number"]),
    ("percent: .nan", 3, 10, ["percent: .nan is not a finite number"]),
    ("called: 1e3", 3, 9, ["called: 1e3 has an exponent"]),
    ("shares: {salt: 101}", 3, 16, ["shares.salt: 101 is too large", "a number from 0 to 100"]),
    ("made_on: 2026-02-30", 3, 10, ["made_on: 2026-02-30 is an impossible date", "YYYY-MM-DD"]),
    ("hold: maybe", 3, 7, ["hold: the text 'maybe' stands here", "true, false, yes or no"]),
    # inside lists and mappings
    (
        "additions:\n  - name: a\n    grams_per_kg: 1\n  - name: b\n    grams_per_kg: -2",
        *(7, 19, ["additions[2].grams_per_kg: -2 is too small", "a number above 0"]),
    ),
    (
        "additions:\n  - name: a\n    grams_per_kg: 1\n  - name: b",
        *(6, 5, ["additions[2]: the key 'grams_per_kg' is missing", "required"]),
    ),
    (
        "additions:\n  - {name: a, grams_per_kg: 1, nitrit_pct: 6}",
        *(4, 32, ["additions[1]: unknown key 'nitrit_pct'", "did you mean 'nitrite_pct'?"]),
    ),
    (
        "additions: [{grams_per_kg: 1, name: }]",
        3,
        31,
        ["additions[1].name: nothing stands here", "not empty"],
    ),
    ("notes: [a, [b]]", 3, 12, ["notes[2]: a list stands here", "a text that is not empty"]),
    ("pair: [1]", 3, 7, ["pair: entry 2 is missing", "required"]),
    ("pair: [0, x]", 3, 8, ["pair[1]: 0 is too small"]),
    # unknown keys
    ("lot: 3", 3, 1, ["unknown key 'lot'", "did you mean 'lots'?"]),
    ("zzz: 3", 3, 1, ["unknown key 'zzz'", "known keys: name, batch_kg, made_on"]),
    ("also_called: 3", 3, 1, ["unknown key 'also_called'"]),
    ("Batch-kg: 3", 3, 1, ["unknown key 'Batch-kg'", "did you mean 'batch_kg'?"]),
    ("? 'a b'\n: 3", 3, 3, ["unknown key 'a b'"]),
    ("fat: {low: 1, hihg: 2}", 3, 15, ["fat: unknown key 'hihg'", "did you mean 'high'?"]),
    ("casing: {width: 1, sides: {l: {lo: 1}}}", 3, 32, ["casing.sides.l: unknown key 'lo'", "'low'"]),
    ("fat: {low: 1,5}", 3, 14, ["fat: unknown key '5'", "decimal comma", "1.5"]),
    # another shape
    ("additions: salt", 3, 12, ["additions: the text 'salt' stands here", "a list"]),
    ("additions: {a: 1}", 3, 12, ["additions: a mapping stands here", "a list"]),
    ("additions: [salt]", 3, 13, ["additions[1]: the text 'salt' stands here", "a mapping"]),
    ("shares: [1]", 3, 9, ["shares: a list stands here", "a mapping"]),
    ("plain_text: [a]", 3, 13, ["plain_text: a list stands here", "a text"]),
    ("lots: {a: 1}", 3, 7, ["lots: a mapping stands here", "a whole number"]),
    ("lots:", 3, 1, ["lots: nothing stands here", "a whole number"]),
    ("additions:", 3, 1, ["additions: nothing stands here", "a list"]),
    # words
    (
        "additions: [{name: a, grams_per_kg: 1, use: cured}]",
        3,
        45,
        ["use: 'cured'", "salt, cure, spice", "'cure'?"],
    ),
    ("shares: {curing: 1}", 3, 10, ["shares: as a key, 'curing' is not an allowed", "salt, cure, spice"]),
    ("shares: {x: 1}", 3, 10, ["shares: as a key, 'x' is not an allowed word", "one of salt"]),
    # validators
    ("fat: {low: 40}", 3, 12, ["fat.low: low is above high", "low up to high"]),
    ("odd: bad", 3, 6, ["odd: odd is bad"]),
    ("odd: own", 3, 6, ["odd: a word of its own"]),
    ("odd: bare", 3, 6, ["odd: the text 'bare' cannot stand here"]),
    # one of several models, by a word
    (
        "steps: [{step: smok, hours: 1}]",
        3,
        16,
        ["steps[1].step: 'smok'", "smoke, cook", "did you mean 'smoke'?"],
    ),
    ("steps: [smoke]", 3, 9, ["steps[1]: the text 'smoke' stands here", "a mapping"]),
    ("steps: [{step: smoke}]", 3, 9, ["steps[1]: the key 'hours' is missing"]),
    # the label of the alternative is also a key of the file
    ("steps: [{step: smoke, hours: x, smoke: {wood: a}}]", 3, 30, ["steps[1].hours: 'x' is not"]),
    ("steps: [{step: smoke, hours: 1, smoke: {hours: }}]", 3, 41, ["steps[1].smoke.hours: nothing stands"]),
    ("steps: [{step: smoke, hours: 1, smok: {}}]", 3, 33, ["steps[1]: unknown key 'smok'", "'smoke'?"]),
    # one of several, by shape
    ("fat: {low: abc}", 3, 12, ["fat.low: 'abc' is not a plain decimal number"]),
    ("cut: [1, x]", 3, 10, ["cut[2]: 'x' is not"]),
    ("casing: {width: 0}", 3, 17, ["casing.width: 0 is too small"]),
    ("fat: [1]", 3, 6, ["fat: a list stands here", "a mapping"]),
    ("named: [a]", 3, 8, ["named: a list stands here", "a text that is not empty"]),
    ("named: {us: [a]}", 3, 13, ["named.us: a list stands here", "a name as it is seen"]),
    ("casing: x", 3, 9, ["casing: the text 'x' stands here", "a mapping"]),
    ("casing: {width: 1, sides: {'a.b': {low: x}}}", 3, 41, ["casing.sides.'a.b'.low: 'x' is not"]),
]


@pytest.mark.parametrize(("snippet", "line", "column", "words"), ONE_FAULT, ids=[row[0][:40] for row in ONE_FAULT])
def test_one_fault(loader: Any, snippet: str, line: int, column: int, words: list[str]) -> None:
    faults = faults_of(HEAD + snippet + "\n", Sample)
    assert len(faults) == 1, [str(fault) for fault in faults]
    says(faults[0], line, column, *words)
    assert faults[0].file == "r.yaml"
    assert_plain(faults[0])


def assert_plain(fault: Fault) -> None:
    """No words of the validation library, no names of Python types, no addresses."""
    text = str(fault)
    jargon = "should; input; valid ; pydantic; http; type=; dict; str ; bool; int ; NoneType; Fraction; function-; ctx"
    for word in jargon.split("; "):
        assert word not in text.casefold(), text
    assert text.isprintable()


def test_every_fault_of_a_file_at_once(loader: Any) -> None:
    text = """\
batch_kg: 30%
nmae: x
additions:
  - name:
    grams_per_kg: 1e3
  - grams_per_kg: 0
    extra: [1]
hold: perhaps
steps:
  - {step: cook}
  - {step: fly, hours: 1}
"""
    expected = [
        (1, 1, "the key 'name' is missing"),
        (1, 11, "batch_kg: 30% has a percent sign"),
        (2, 1, "did you mean 'name'?"),
        (4, 5, "additions[1].name: nothing stands here"),
        (5, 19, "additions[1].grams_per_kg: 1e3 has an exponent"),
        (6, 5, "additions[2]: the key 'name' is missing"),
        (6, 19, "additions[2].grams_per_kg: 0 is too small"),
        (7, 5, "additions[2]: unknown key 'extra'"),
        (8, 7, "hold: the text 'perhaps'"),
        (10, 5, "steps[1]: the key 'hours' is missing"),
        (11, 12, "steps[2].step: 'fly'"),
    ]
    faults = faults_of(text, Sample)
    assert len(faults) == len(expected), [str(fault) for fault in faults]
    for fault, (line, column, words) in zip(faults, expected, strict=True):
        says(fault, line, column, words)
        assert_plain(fault)
    assert str(faults[1]) == "r.yaml:1:11: error: batch_kg: 30% has a percent sign; write 30 (a number above 0)"


def test_a_spoiled_figure_is_one_fault_at_its_own_place(loader: Any) -> None:
    """Spoil each figure of a valid file in turn: exactly one fault, where the figure stands."""
    document = parse(VALID, "r")
    lines = VALID.splitlines(keepends=True)
    spoiled = 0
    for loc, value in leaves(document.tree):
        if not value or not value.lstrip("-").replace(".", "").isdigit():
            continue
        line, column = document.mark(loc)
        old = lines[line - 1]
        new = old[: column - 1] + value + "%" + old[column - 1 + len(value) :]
        (fault,) = faults_of("".join([*lines[: line - 1], new, *lines[line:]]), Sample)
        says(fault, line, column, f"{shown_path(loc)}: ", value)
        spoiled += 1
    assert spoiled == 17


def test_a_left_out_or_misspelled_key_is_found_everywhere() -> None:
    """Misspell each key of a valid file in turn: an unknown key at its place, with the right suggestion."""
    lines = VALID.splitlines(keepends=True)
    document = parse(VALID, "r")
    for key in Sample.model_fields:
        key = "called" if key == "also_called" else key
        if key not in document.tree:
            continue
        line, column = document.mark((key,), key=True)
        new = lines[line - 1].replace(key, key + "x", 1)
        faults = faults_of("".join([*lines[: line - 1], new, *lines[line:]]), Sample)
        unknown = [fault for fault in faults if "unknown key" in fault.found]
        assert len(unknown) == 1
        says(unknown[0], line, column, f"'{key}x'", f"did you mean '{key}'?")
        required = key in ("name", "batch_kg")
        assert [f.found for f in faults if f is not unknown[0]] == [f"the key '{key}' is missing"] * required


def test_a_suggestion_is_not_a_key_that_stands_there_already() -> None:
    class Two(Strict):
        fat_min: Number
        fat_max: Number = Fraction(1)

    (fault,) = faults_of("fat_min: 1\nfat_mix: 3\n", Two)
    says(fault, 2, 1, "did you mean 'fat_max'?")
    (fault,) = faults_of("fat_min: 1\nfat_max: 3\nfat-min: 2\n", Two)
    says(fault, 3, 1, "did you mean 'fat_min'?")


def test_a_blank_is_a_fault() -> None:
    text = HEAD + "casing:\nadditions:\n  - {name: a, grams_per_kg: 1, nitrite_pct: }\n"
    first, second = faults_of(text, Sample)
    says(first, 3, 1, "casing: nothing stands here", "leave the key out")
    says(second, 5, 32, "additions[1].nitrite_pct: nothing stands here", "leave the key out")


def test_a_fault_behind_an_alias_stands_where_it_was_typed() -> None:
    faults = faults_of(HEAD + "fat: &f {low: x}\ncasing: {width: 1, sides: {l: *f}}\n", Sample)
    assert [(f.line, f.column) for f in faults] == [(3, 15), (3, 15)]
    assert [f.found.split(":")[0] for f in faults] == ["fat.low", "casing.sides.l.low"]


def test_a_shorthand_that_is_expanded_before_reading() -> None:
    def longhand(value: object) -> object:
        return {"low": value, "high": "x"} if isinstance(value, str) else value

    class Short(Strict):
        band: Annotated[Band, BeforeValidator(longhand)]

    (fault,) = faults_of("band: 5\n", Short)
    says(fault, 1, 7, "'x' is not a plain decimal number")


def built_in_errors() -> list[str]:
    return [kind for kind in get_args(ErrorType) if kind not in ("value_error", "assertion_error")]


CONTEXT: dict[str, Any] = {
    **dict.fromkeys(["gt", "ge", "lt", "le", "multiple_of", "min_length", "max_length", "actual_length"], 3),
    **dict.fromkeys(["max_digits", "decimal_places", "whole_digits", "expected_version"], 3),
    **dict.fromkeys(["tz_expected", "tz_actual"], 3),
    **dict.fromkeys(["error", "field_type", "class_name", "class", "pattern", "expected", "attribute"], "'z'"),
    **dict.fromkeys(["discriminator", "tag", "expected_tags", "encoding", "encoding_error"], "'z'"),
    **dict.fromkeys(["expected_schemes", "method_name"], "'z'"),
}


@pytest.mark.parametrize("kind", built_in_errors())
def test_no_error_of_the_library_reaches_the_user_in_its_own_words(kind: str) -> None:
    error = PydanticKnownError(kind, CONTEXT)  # type: ignore[arg-type]

    def fail(value: object) -> object:
        raise error

    class One(Strict):
        x: Annotated[Number, BeforeValidator(fail)]

    (fault,) = faults_of("x: abc\n", One)
    assert (fault.file, fault.line) == ("r.yaml", 1)
    assert_plain(fault)
    assert error.message() not in str(fault)


def test_control_characters_do_not_reach_the_terminal() -> None:
    text = 'name: x\nbatch_kg: "1\\n2 \\u202e"\n"a\\nb": 1\nplain_int: "1\\n\\n%"\n'
    faults = faults_of(text, Sample)
    assert len(faults) == 3
    for fault in faults:
        assert str(fault).isprintable()
    says(faults[1], 3, 1, r"unknown key 'a\nb'")


def test_long_texts_are_cut() -> None:
    (fault,) = faults_of(HEAD + f"hold: {'x' * 5000}\n", Sample)
    assert len(str(fault)) < 200


TEXTS = st.sampled_from(["", "1", "x", "30%", "smoke", "cook", "salt", "2026-01-02", "yes", "{low: 1}", "-1e9"])
KEYS = st.sampled_from(
    [
        *Sample.model_fields,
        "called",
        "low",
        "high",
        "step",
        "hours",
        "width",
        "grams_per_kg",
        "zz",
    ]
)
SAMPLES = st.dictionaries(
    KEYS,
    st.recursive(
        TEXTS,
        lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(KEYS, inner, max_size=3)),
        max_leaves=6,
    ),
    min_size=1,
    max_size=8,
)


@settings(max_examples=250, derandomize=True, deadline=None, database=None)
@given(tree=SAMPLES)
def test_any_tree_is_validated_or_refused_in_plain_words(tree: dict[str, Tree]) -> None:
    text = yaml.safe_dump(tree, default_style="'", width=10_000)
    faults = tried(text, Sample)
    if not isinstance(faults, tuple):
        assert Sample.model_validate(faults.tree)
        return
    with pytest.raises(ValidationError):
        Sample.model_validate(parse(text, "r").tree)
    places = [(fault.line or 0, int(fault.column or 0)) for fault in faults]
    assert places == sorted(places)
    assert len(set(faults)) == len(faults)
    lines = text.splitlines()
    for fault, (line, column) in zip(faults, places, strict=True):
        assert_plain(fault)
        assert 1 <= line <= len(lines)
        assert 1 <= column <= len(lines[line - 1]) + 1


# ---------------------------------------------------------------------------------------------------------
# Python code, documents, schema, import


def test_python_code_builds_models() -> None:
    band = Band(low=Fraction(1, 3), high=Fraction(2))
    assert (band.low, Band.model_validate({"low": 2, "high": "3"}).low) == (Fraction(1, 3), Fraction(2))
    with pytest.raises(ValidationError, match="binary float"):
        Band.model_validate({"low": 0.5})
    with pytest.raises(ValidationError, match="frozen"):
        band.low = Fraction(2)
    assert json.loads(Band(low=Fraction(3)).model_dump_json()) == {"low": 3, "high": 30.5}


def test_the_json_schema_of_a_model() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        schema = Sample.model_json_schema(schema_generator=JsonSchema)
    fields = schema["properties"]
    assert schema["additionalProperties"] is False
    assert set(schema["required"]) == {"name", "batch_kg"}
    assert fields["batch_kg"]["description"] == "Kilograms that go into the mixer."
    assert (fields["batch_kg"]["type"], fields["batch_kg"]["exclusiveMinimum"]) == ("number", 0)
    assert (fields["lots"]["type"], fields["lots"]["minimum"], fields["lots"]["default"]) == ("integer", 1, 1)
    assert (fields["hold"]["type"], fields["hold"]["default"]) == ("boolean", False)
    assert fields["made_on"]["anyOf"][0] == {"type": "string", "format": "date"}
    assert (fields["name"]["type"], fields["name"]["minLength"]) == ("string", 1)
    assert fields["percent"]["default"] == 30
    assert fields["pair"]["default"] == [1, "x"]
    assert fields["also_called" if "also_called" in fields else "called"]["default"] == 1
    band = schema["$defs"]["Band"]["properties"]
    assert band["high"]["default"] == 30.5
    assert (band["high"]["minimum"], band["high"]["maximum"]) == (0, 100)
    assert band["low"]["description"] == "Smallest allowed."
    assert json.loads(json.dumps(schema)) == schema


def test_a_fault_made_after_validation() -> None:
    document: Parsed = parse(MARKED, "r.yaml")
    fault = document.fault(("additions", 1, "name"), "pepper is not in stock", "a spice in stock")
    assert str(fault) == ("r.yaml:8:11: error: additions[2].name: pepper is not in stock (a spice in stock)")
    fault = document.fault(("fat", "min"), "odd", "", key=True, severity=Severity.WARNING)
    assert str(fault) == "r.yaml:2:7: warning: fat: odd"
    assert document.fault((), "odd", "").found == "odd"


@pytest.mark.parametrize(
    ("loc", "words"),
    [
        ((), ""),
        (("a",), "a"),
        (("additions", 1, "nitrite_pct"), "additions[2].nitrite_pct"),
        ((0, 0), "[1][1]"),
        (("a b", "c.d", "e-f"), "'a b'.'c.d'.e-f"),
        (("a\n",), r"'a\n'"),
    ],
)
def test_paths_in_words(loc: Loc, words: str) -> None:
    assert shown_path(loc) == words


def test_importing_pulls_in_only_yaml_and_pydantic() -> None:
    """Everything that is not of Python itself must be one of these two or what they bring along."""
    script = """
import sys, yaml, pydantic
from pydantic import BaseModel, RootModel
class Used(BaseModel):
    x: int
def packages():
    return {name.partition(".")[0] for name in sys.modules}
before = packages()
import constraints.document
print(sorted(packages() - before - {"constraints"} - sys.stdlib_module_names))
print(sorted({".".join(name.split(".")[:2]) for name in sys.modules if name.startswith("constraints.")}))
"""
    command = [sys.executable, "-c", script]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True)
    third_party, own = ran.stdout.splitlines()
    assert third_party == "[]"
    assert own == "['constraints.as_typed', 'constraints.document']"


def test_no_file_has_a_field_of_several_shapes() -> None:
    """A fault is put in words without guessing which of several shapes was meant: so there must be one."""
    script = """
import importlib, pkgutil, types, typing
import constraints, optimizer
from constraints.document import Strict
from optimizer.record import Record
for package in (constraints, optimizer):
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
def below(model):
    for one in model.__subclasses__():
        if one is not Record:
            yield one
            yield from below(one)
for model in set(below(Strict)):
    for name, field in model.model_fields.items():
        shapes = [one for one in typing.get_args(field.annotation) if one is not type(None)]
        union = typing.get_origin(field.annotation) in (typing.Union, types.UnionType)
        own = any(type(noted).__name__ == "PlainValidator" for noted in field.metadata)
        if (union and len(shapes) > 1 and not own) or field.discriminator:
            print(model.__qualname__, name)
"""
    command = [sys.executable, "-c", script]
    assert subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True).stdout == ""
