"""Whether the rows of a matching table fit each other, and what to do about the first that does not."""

from collections.abc import Callable, Collection, Iterator, Sequence
from functools import partial

from resupply.rules.matching_parts import (
    HEAVIEST,
    KINDS,
    MARKS,
    WEIGHED,
    BadTableError,
    Condition,
    Effect,
    Gate,
    Question,
    Rule,
    Table,
    told,
)
from resupply.rules.matching_shapes import is_number


def check(table: Table) -> None:
    """Refuse a table whose rows do not fit each other."""
    ids = {"style": [one.id for one in table.styles], "question": [one.id for one in table.questions]}
    for sort, named in (ids | {"rule": [rule.id for rule in table.rules]}).items():
        if (place := _twice(named)) is not None:
            raise _bad(sort, place, named[place])("is there twice: give it another id.", field="id")
    if not table.styles:
        raise BadTableError("A table needs at least one [[style]].")
    for place, question in enumerate(table.questions):
        _check_question(question, _bad("question", place, question.id))
    for place, gate in enumerate(table.gates):
        bad = _bad("gate", place)
        _check_row(gate, ids["style"], bad)
        if not gate.styles:
            raise bad("name the styles that come after the others.", field="styles")
        for condition in gate.unless:
            _check_condition(condition, table, "unless", bad)
    for place, rule in enumerate(table.rules):
        bad = _bad("rule", place, rule.id)
        _check_row(rule, ids["style"], bad)
        _check_condition(rule.when, table, "when", bad)
        _check_effect(rule, bad)


def _bad(sort: str, place: int, id: str | None = None) -> Callable[..., BadTableError]:
    """Makes the faults of one row."""
    return partial(BadTableError, sort=sort, place=place, told=told(sort, id))


def _check_question(question: Question, bad: Callable[..., BadTableError]) -> None:
    if question.kind not in KINDS:
        raise bad(f"the kind is one of {', '.join(sorted(KINDS))}.", field="kind")
    if question.kind == "number" and not question.least < question.most:
        raise bad("a number needs least and most, least below most.", field="least")
    values = [value for value, _ in question.values]
    if question.kind != "number" and len(values) < 2:
        raise bad("give at least two values to choose from.", field="values")
    if (place := _twice(values)) is not None:
        raise bad(f"the value {values[place]} is there twice.", field="values")


def _twice(names: Sequence[str]) -> int | None:
    """The place of the first name that stood before."""
    before: set[str] = set()
    for place, name in enumerate(names):
        if name in before:
            return place
        before.add(name)
    return None


def _check_row(row: Rule | Gate, known: Collection[str], bad: Callable[..., BadTableError]) -> None:
    for style in row.styles:
        if style not in known:
            raise bad(f"“{style[:60]}” is no style of this table; it has {', '.join(known)}.", field="styles")
    if row.mark not in MARKS:
        raise bad(f"give its source a mark ({', '.join(sorted(MARKS))}).", field="mark")


def _check_effect(rule: Rule, bad: Callable[..., BadTableError]) -> None:
    if not (1 <= rule.weight <= HEAVIEST if rule.effect in WEIGHED else rule.weight == 0):
        raise bad(f"for and against weigh 1 to {HEAVIEST}, other effects nothing.", field="weight")
    if bool(rule.styles) == (rule.effect is Effect.REFER):
        raise bad("name the styles it is about; a referral is about none.", field="styles")


def _check_condition(
    condition: Condition, table: Table, field: str, bad: Callable[..., BadTableError]
) -> None:
    questions = {question.id: question for question in table.questions}
    for name, wanted in condition.items():
        question = questions.get(name)
        if question is None:
            raise bad(f"“{name[:60]}” is no question of this table.", field=field)
        if question.kind == "number":
            least, most = question.least, question.most
            if not isinstance(wanted, dict) or list(wanted) != ["at_least"]:
                raise bad(f"write {name} = {{ at_least = a number }}.", field=field)
            if not is_number(wanted["at_least"]) or not least <= wanted["at_least"] <= most:
                raise bad(f"{name} takes at_least = a number from {least} to {most}.", field=field)
        else:
            values = {value for value, _ in question.values}
            if not isinstance(wanted, tuple) or not wanted or not values.issuperset(_texts(wanted)):
                raise bad(f"{name} takes {', '.join(sorted(values))}, in a list.", field=field)


def _texts(wanted: tuple[object, ...]) -> Iterator[str]:
    """What was typed between brackets, as text; what is none fits no value."""
    return (one if isinstance(one, str) else "" for one in wanted)
