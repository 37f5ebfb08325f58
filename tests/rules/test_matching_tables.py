"""Whatever is typed as a matching table gives a table, or says where it is wrong and what to do: a table of
faults with their lines, then any TOML at all.
"""

import json
import re
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from resupply.rules.matching import match, what_would_change
from resupply.rules.matching_parts import SORTS
from resupply.rules.matching_table import BadTableError, Table, read_table, shipped, shipped_text

TABLE = """suits_from = 1
[[style]]
id = "a"
name = "A"
about = ""
[[question]]
id = "q"
text = "Q"
kind = "one"
values = [["x", "X"], ["y", "Y"]]
[[question]]
id = "n"
text = "N"
kind = "number"
least = 4
most = 30
[[gate]]
styles = ["a"]
unless = [{ q = ["x"] }]
text = "t"
mark = "D"
source = "s"
[[rule]]
id = "r"
when = { q = ["x"], n = { at_least = 12 } }
styles = ["a"]
effect = "for"
weight = 1
text = "t"
mark = "D"
source = "s"
"""


def fault(text: str) -> str:
    with pytest.raises(BadTableError) as found:
        read_table(text)
    return str(found.value)


def test_the_table_below_is_one() -> None:
    assert match({"q": {"x"}, "n": {"12"}}, read_table(TABLE)).styles[0].score == 1


# What stands in the table above, what is typed instead, and how what is said of it begins and goes on.
FAULTS = [
    ('name = "A"', "name = 3", "Line 4, [[style]] a: name: write some text in quotes"),
    ('name = "A"', 'name = " "', "Line 4, [[style]] a: name: write some text in quotes"),
    ('id = "a"', "id = 1", "Line 3, [[style]]: id: write small letters"),
    ('id = "a"', 'id = "A b"', "Line 3, [[style]] A b: id: write small letters"),
    ('about = ""', "about = [1]", "Line 5, [[style]] a: about: write text in quotes"),
    ('about = ""', "", "Line 2, [[style]] a: “about” is missing"),
    ('kind = "one"', "kind = []", "Line 9, [[question]] q: kind: write some text"),
    ('["x", "X"]', '["x", 1]', "Line 10, [[question]] q: values: write pairs"),
    ('["x", "X"]', '["x", "\\u0000"]', "Line 10, [[question]] q: values: write pairs"),
    ('["y", "Y"]', '["x", "Y"]', "Line 10, [[question]] q: the value x is there twice"),
    ('[["x", "X"], ["y", "Y"]]', "7", "Line 10, [[question]] q: values: write pairs"),
    ("least = 4", "least = 4.5", "Line 15, [[question]] n: least: write a whole number"),
    ("least = 4", "least = true", "Line 15, [[question]] n: least: write a whole number"),
    ("least = 4", "least = 30", "Line 15, [[question]] n: a number needs least and most"),
    ('styles = ["a"]', 'styles = "a"', "Line 18, [[gate]]: styles: write a list of styles"),
    ('styles = ["a"]', "styles = []", "Line 18, [[gate]]: name the styles that come after"),
    ('unless = [{ q = ["x"] }]', "unless = [1]", "Line 19, [[gate]]: unless: write a list of conditions"),
    ('unless = [{ q = ["x"] }]', 'unless = [{ q = [["x"]] }]', "Line 19, [[gate]]: q takes x, y"),
    ("when = { q", 'when = "always"  # { q', "Line 25, [[rule]] r: when: write { question = [values] }"),
    ('q = ["x"], n', 'q = "x", n', "Line 25, [[rule]] r: q takes x, y, in a list"),
    ('q = ["x"], n', "q = [], n", "Line 25, [[rule]] r: q takes x, y, in a list"),
    ("at_least = 12", "at_least = nan", "Line 25, [[rule]] r: n takes at_least = a number from 4 to 30"),
    ("at_least = 12", "at_least = inf", "Line 25, [[rule]] r: n takes at_least = a number from 4 to 30"),
    ("at_least = 12", "at_least = 31", "Line 25, [[rule]] r: n takes at_least = a number from 4 to 30"),
    ("at_least = 12", 'at_least = "12"', "Line 25, [[rule]] r: n takes at_least = a number from 4 to 30"),
    ("{ at_least = 12 }", "{ at_most = 12 }", "Line 25, [[rule]] r: write n = { at_least = a number }"),
    ('effect = "for"', "effect = 1979-05-27", "Line 27, [[rule]] r: effect: write some text"),
    ("weight = 1", "weight = true", "Line 28, [[rule]] r: weight: write a whole number"),
    ("weight = 1", "weight = 1.0", "Line 28, [[rule]] r: weight: write a whole number"),
    ("suits_from = 1", "suits_from = true", "Line 1: suits_from: write a whole number"),
    ("suits_from = 1", "suits_form = 1", "Line 1: “suits_form” is no part of a table"),
    ("suits_from = 1", "suits_from = ", "Line 1, column 14: This is no TOML: Invalid value."),
    ('name = "A"', "name = A", "Line 4, column 8: This is no TOML: Invalid value."),
    ("suits_from = 1", "suits_from = " + "1" * 5000, "This is no TOML: "),
    ("suits_from = 1", "a = " + "[" * 50_000, "Brackets within brackets"),
    ("[[rule]]", "[rule]", "rule: write each row as [[rule]]"),
]


@pytest.mark.parametrize(("there", "typed", "says"), FAULTS, ids=[row[1][:40] for row in FAULTS])
def test_a_fault_is_named_with_its_line_and_what_to_do(there: str, typed: str, says: str) -> None:
    assert TABLE.count(there)
    said = fault(TABLE.replace(there, typed, 1))
    assert said.startswith(says), said


def test_lines_are_counted_as_a_browser_sends_them() -> None:
    assert fault(TABLE.replace("weight = 1", "weight = 10").replace("\n", "\r\n")).startswith("Line 28, ")


def test_rows_written_in_one_line_have_a_name_and_no_line() -> None:
    said = fault('style = [{ id = "a", name = "A", about = "" }, { id = "a", name = "B", about = "" }]')
    assert said == "[[style]] a: is there twice: give it another id."


def test_every_row_of_the_shipped_table_has_its_line() -> None:
    """Each weight of the table, set beyond the heaviest, is named with the line it stands on."""
    lines = shipped_text().split("\n")
    weights = [number for number, line in enumerate(lines) if re.fullmatch(r"weight = \d", line)]
    assert len(weights) > 20
    for number in weights[::5]:
        typed = "\n".join([*lines[:number], "weight = 10", *lines[number + 1 :]])
        assert fault(typed).startswith(f"Line {number + 1}, [[rule]] ")


# --- any TOML ----------------------------------------------------------------------------------------------

odd: st.SearchStrategy[Any] = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**63), 2**63),
        st.floats(),
        st.sampled_from(["", "a", "q", "x", "for", "refer", "one", "number", "D", "nasal", "at_least", "\0"]),
        st.text(max_size=4),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["q", "n", "at_least", "z"]), inner)
    ),
    max_leaves=6,
)
names = st.sampled_from(sorted({field.name for sort in SORTS.values() for field in fields(sort)}))


def written(value: Any) -> str:
    """A value as TOML writes it. Strings of JSON are strings of TOML, but for lone surrogates."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(name)} = {written(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list):
        return f"[{', '.join(map(written, value))}]"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value)


def answer_to(text: str) -> Table | str:
    """A table that can be worked with, or what is said to whoever typed it."""
    try:
        table = read_table(text)
    except BadTableError as wrong:
        return str(wrong)
    for question in table.questions:
        given_answers = {question.id: [value for value, _ in question.values][:1] or [str(question.least)]}
        assert len(match(given_answers, table).styles) == len(table.styles)
    assert {change.question for change in what_would_change({}, table)} <= {one.id for one in table.questions}
    return table


@settings(max_examples=150)
@given(st.sampled_from(["style", "question", "gate", "rule"]), names, odd)
def test_a_row_with_anything_in_a_field(sort: str, name: str, value: Any) -> None:
    """One field of a row of the table holds whatever TOML can hold."""
    before, header, row = TABLE.partition(f"[[{sort}]]\n")
    row, rest = (*row.split("\n[[", 1), "")[:2] if "\n[[" in row else (row, "")
    kept = [line for line in row.split("\n") if line and not line.startswith(f"{name} =")]
    typed = "\n".join([*kept, f"{name} = {written(value)}"])
    said = answer_to(f"{before}{header}{typed}\n" + (f"[[{rest}" if rest else ""))
    if isinstance(said, str):
        assert re.search(r"\[\[\w+\]\]|TOML|[a-z_]+: ", said), said
        assert "Line " in said or "at least one" in said, said


@settings(max_examples=150)
@given(st.dictionaries(st.sampled_from(["style", "question", "gate", "rule", "suits_from", "z"]), odd))
def test_any_document(document: dict[str, Any]) -> None:
    text = "\n".join(f"{name} = {written(value)}" for name, value in document.items())
    assert isinstance(answer_to(text), Table | str)


@settings(max_examples=100)
@given(st.integers(0, 5000), st.integers(0, 40), st.text(max_size=6))
def test_the_shipped_table_with_a_piece_cut_out_and_another_put_in(at: int, long: int, typed: str) -> None:
    text = shipped_text()
    at = at * 5 % len(text)
    said = answer_to(text[:at] + typed + text[at + long :])
    assert isinstance(said, Table) or said


def test_the_shipped_table_is_read() -> None:
    assert answer_to(shipped_text()) == shipped()
