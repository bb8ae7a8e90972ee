"""A pack checked as data: rows that can never bind, contradict or overlap; and that the shipped packs have none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from constraints.as_typed import BadInput
from constraints.document import parse
from constraints.library import bare_classes, flaws, load_pack, pack_in, shipped
from optimizer.cli import app

HEAD = """\
pack: house
title: Our own
authority: us
checked_on: 2026-11-25
classes:
  - {id: fresh, title: fresh, source: us}
  - {id: dry, title: dry, source: us}
rows:
"""


def row(name: str, limit: str, further: str = "") -> str:
    return (
        f"  - id: {name}\n    requires: {{ingoing_nitrite: {{{limit}}}}}\n    source: us\n    status: yours\n{further}"
    )


@pytest.mark.parametrize("name", shipped())
def test_every_row_of_a_shipped_pack_binds_somewhere_and_no_class_goes_without(name: str) -> None:
    pack = load_pack(name)
    assert [*flaws(pack, {row.id for row in pack.rows}), *bare_classes(pack)] == []


@pytest.mark.parametrize(
    ("rows", "line", "words"),
    [
        (row("a", "max_ppm: 150") + row("b", "max_ppm: 200"), 13, "never bind: a is as strict"),
        (row("a", "max_ppm: 150", "    classes: [dry]\n") + row("b", "max_ppm: 100"), 9, "never bind: b is as strict"),
        (row("a", "min_ppm: 120") + row("b", "max_ppm: 100"), 13, "below the floor of another"),
        (row("a", "max_ppm: 150", "    classes: [dry]\n    not_classes: [dry]\n"), 9, "never be in force"),
        (row("a", "max_ppm: 150", "    when: {steps: [dried], no_steps: [dried]}\n"), 9, "never be in force"),
        (row("a", "min_ppm: 0"), 9, "can never bind"),
        (
            row("a", "max_ppm: 150", "    valid_to: 2026-06-30\n")
            + row("b", "max_ppm: 80", "    valid_from: 2026-06-30\n"), 14, "in force together",
        ),
    ],
)  # fmt: skip
def test_a_pack_of_ones_own_that_cannot_hold_together_is_an_error_with_its_line(
    rows: str, line: int, words: str
) -> None:
    with pytest.raises(BadInput) as caught:
        pack_in(parse(HEAD + rows, "house.yaml"))
    (fault,) = caught.value.faults
    assert fault.line == line
    assert words in fault.found


@pytest.mark.parametrize(
    "rows",
    [
        row("a", "max_ppm: 150", "    classes: [dry]\n") + row("b", "max_ppm: 200"),  # both: b is for fresh
        row("a", "max_ppm: 150", "    valid_to: 2026-06-29\n")
        + row("b", "max_ppm: 80", "    valid_from: 2026-06-30\n"),
        row("a", "max_ppm: 150", "    when: {steps: [dried]}\n") + row("b", "max_ppm: 200"),
        row("a", "max_ppm: 150") + row("b", "max_ppm: 160, form: ion"),
        *(
            row("a", "max_ppm: 150", f"    when: {{{key}: {one}}}\n")
            + row("b", "max_ppm: 200", f"    when: {{{key}: {other}}}\n")
            for key in ("keep_refrigerated", "cured") for one, other in (("yes", "no"), ("no", "yes"))
        ),
    ],
)  # fmt: skip
def test_a_pack_whose_rows_each_bind_somewhere_is_read(rows: str) -> None:
    assert len(pack_in(parse(HEAD + rows, "house.yaml")).rows) == 2


def test_a_house_row_looser_than_the_law_it_stands_on_can_never_bind() -> None:
    text = HEAD.replace("classes:", "same_as: us\nclasses:").replace("id: dry", "id: mine")
    with pytest.raises(BadInput, match="never bind: house-nitrite-comminuted is as strict"):
        pack_in(parse(text + row("own", "max_ppm: 200, basis: meat", "    classes: [frankfurter]\n"), "house.yaml"))


def test_a_class_without_a_row_on_nitrite_is_found() -> None:
    pack = pack_in(parse(HEAD + row("a", "max_ppm: 150", "    classes: [dry]\n"), "house.yaml"))
    assert [(flaw.where, flaw.found) for flaw in bare_classes(pack)] == [
        ("fresh", "no row on nitrite is for the class fresh")
    ]


# ---- the command ----


def printed(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["rules", *words])
    return done.exit_code, " ".join(done.output.split())


def test_verify_says_what_was_proved_and_ends_with_2_where_it_does_not_hold(tmp_path: Path) -> None:
    code, said = printed("eu", "--verify")
    assert code == 0
    assert "every limit binds for some class and product" in said
    (tmp_path / "house.yaml").write_text(HEAD + row("a", "max_ppm: 150", "    classes: [dry]\n"))
    code, said = printed(str(tmp_path / "house.yaml"), "--verify")
    assert code == 2
    assert "no row on nitrite is for the class fresh" in said


def test_unread_lists_what_was_not_read_in_the_law_and_whether_it_blocks() -> None:
    code, said = printed("ca", "--unread")
    assert code == 0
    assert "health ingoing nitrite, whole batch: at most 120 ppm" in said  # from memory, and blocks
    assert "ca-nitrite-side-bacon, from memory" in said
    assert "ca-protein-extended-fresh" not in said  # read in the regulations
    assert "CANADA" in printed("--unread")[1]


def test_a_class_is_listed_by_group_one_line_a_row_with_grams_and_what_is_not_covered() -> None:
    code, said = printed("eu", "--class", "non_heat_treated", "--date", "2026-11-25")
    assert code == 0
    places = [said.index(word) for word in ("CURING", "OTHER ADDITIVES", "NOT COVERED")]
    assert places == sorted(places)
    assert "health ingoing nitrite as the ion, whole batch: at most 80 ppm, 0.8 g in 10 kg [Reg (EC) 1333/2008" in said
    assert "eu-nitrite-2013" not in said  # not in force on that day
    assert "Trichinella treatment of pork, pH, water activity, weight loss" in said
    found = json.loads(CliRunner().invoke(app, ["rules", "eu", "--class", "non_heat_treated", "--json"]).output)
    assert {limit["group"] for limit in found["limits"]} == {"curing", "other additives"}
    assert found["not_covered"]


def test_a_class_nobody_knows_names_the_nearest() -> None:
    code, said = printed("eu", "--class", "wiltshire_bakon")
    assert code == 2
    assert "did you mean wiltshire_bacon?" in said
