"""Which mask style suits a patient, and why: answers against a table of rules.

The rule in plain words. Each answer may speak for a style or against it, say what to watch, or keep the style
from being offered; the table (`matching.toml`, or a clinic's own version of it) says which. Reasons add up to
a score, and styles come in the order of their scores, with two things before it: a style that is not to be
offered comes last, and a style behind a gate comes after those that are not, however high its score (masks
over nose and mouth come after the nasal styles unless the nose is blocked or air leaks from the mouth). Where
a rule refers the patient, no order is offered at all.

Edge cases: a question without an answer counts for nothing, in either direction; equal scores keep the order
of the table; pressure alone rules no style out. Whether an item holds magnets is no matter of its style.

Sources: every row names its own, with a mark. The scores are ours.

>>> order = [verdict.style for verdict in match({}, shipped()).styles]
>>> order[:3], order[3:]
(['nasal_pillows', 'nasal_cradle', 'nasal'], ['full_face', 'hybrid'])
>>> match({"congestion": {"chronic"}}, shipped()).styles[0].style
'full_face'
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from resupply.rules.matching_table import Condition, Effect, Question, Rule, Table, Wanted, shipped

__all__ = [
    "Answers",
    "Change",
    "Match",
    "Reason",
    "Standing",
    "StyleVerdict",
    "match",
    "shipped",
    "what_would_change",
]

Answers = Mapping[str, Collection[str]]
"""Answers by question: one value or several, numbers as text. A question that is missing is not answered."""


class Standing(StrEnum):
    """How a style stands, best first."""

    SUITS = "suits"
    POSSIBLE = "possible"
    NOT_NOW = "not_now"
    RULED_OUT = "ruled_out"


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: the rule (or gate), its words, how much it counts, its mark and source."""

    rule: str
    text: str
    weight: int
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class StyleVerdict:
    """How one style stands. `against` also holds what keeps it back; `watch` what to look at if chosen."""

    style: str
    standing: Standing
    score: int
    is_gated: bool
    speaks_for: tuple[Reason, ...]
    against: tuple[Reason, ...]
    watch: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Match:
    """The styles in order. With `refer` they come in the table's order and none is offered."""

    styles: tuple[StyleVerdict, ...]
    refer: tuple[Reason, ...]

    @property
    def order(self) -> tuple[str, ...]:
        """The styles' ids in order."""
        return tuple(verdict.style for verdict in self.styles)


@dataclass(frozen=True, slots=True)
class Change:
    """Another answer to one question, and the order it would lead to."""

    question: str
    value: str
    order: tuple[str, ...]
    refers: bool


def match(answers: Answers, table: Table) -> Match:
    """The styles in order for these answers. Values the table does not know count for nothing."""
    held = [rule for rule in table.rules if _holds(rule.when, answers)]
    refer = tuple(_reason(rule) for rule in held if rule.effect is Effect.REFER)
    verdicts = [_verdict(style.id, held, answers, table) for style in table.styles]
    if refer:
        return Match(tuple(verdicts), refer)
    return Match(tuple(sorted(verdicts, key=_place)), ())


def what_would_change(answers: Answers, table: Table) -> Iterator[Change]:
    """Each single other answer that would bring another style to the front, or refer the patient."""
    now = match(answers, table)
    for question in table.questions:
        for value, other in _others(question, answers):
            then = match({**answers, question.id: other}, table)
            if bool(then.refer) != bool(now.refer) or (not then.refer and then.order[:1] != now.order[:1]):
                yield Change(question.id, value, then.order, bool(then.refer))


def _verdict(style: str, held: list[Rule], answers: Answers, table: Table) -> StyleVerdict:
    about = [rule for rule in held if style in rule.styles]
    gates = [
        gate
        for gate in table.gates
        if style in gate.styles and not any(_holds(condition, answers) for condition in gate.unless)
    ]
    score = sum(rule.weight for rule in about if rule.effect is Effect.FOR)
    score -= sum(rule.weight for rule in about if rule.effect is Effect.AGAINST)
    effects = {rule.effect for rule in about}
    held_back = [
        _reason(rule) for rule in about if rule.effect in {Effect.AGAINST, Effect.NOT_NOW, Effect.RULED_OUT}
    ] + [Reason("gate", gate.text, 0, gate.mark, gate.source) for gate in gates]
    return StyleVerdict(
        style,
        _standing(effects, score, is_gated=bool(gates), suits_from=table.suits_from),
        score,
        bool(gates),
        tuple(_reason(rule) for rule in about if rule.effect is Effect.FOR),
        tuple(held_back),
        tuple(_watch(rule) for rule in about if rule.watch or rule.effect is Effect.WATCH),
    )


def _standing(effects: set[Effect], score: int, *, is_gated: bool, suits_from: int) -> Standing:
    if Effect.RULED_OUT in effects:
        return Standing.RULED_OUT
    if Effect.NOT_NOW in effects:
        return Standing.NOT_NOW
    return Standing.SUITS if score >= suits_from and not is_gated else Standing.POSSIBLE


def _place(verdict: StyleVerdict) -> tuple[int, bool, int]:
    """Sort key: not offered last, behind a gate later, then by score; equals keep the table's order."""
    last = {Standing.NOT_NOW: 1, Standing.RULED_OUT: 2}.get(verdict.standing, 0)
    return last, verdict.is_gated, -verdict.score


def _holds(condition: Condition, answers: Answers) -> bool:
    """Whether every question named is answered as the condition says."""
    return all(_is_so(wanted, answers.get(question, ())) for question, wanted in condition.items())


def _is_so(wanted: Wanted, given: Collection[str]) -> bool:
    if isinstance(wanted, Mapping):
        return any(number >= wanted["at_least"] for number in map(_number, given) if number is not None)
    return any(value in wanted for value in given)


def _number(text: str) -> Decimal | None:
    try:
        number = Decimal(text)
    except InvalidOperation:
        return None
    return number if number.is_finite() else None


def _others(question: Question, answers: Answers) -> Iterator[tuple[str, frozenset[str]]]:
    """Each other answer to a question with choices: the value, and the answer it makes."""
    given = frozenset(answers.get(question.id, ()))
    for value, _ in question.values:
        if question.kind == "many":
            yield value, given ^ {value}
        elif value not in given:
            yield value, frozenset({value})


def _reason(rule: Rule) -> Reason:
    return Reason(rule.id, rule.text, rule.weight, rule.mark, rule.source)


def _watch(rule: Rule) -> Reason:
    return Reason(rule.id, rule.watch or rule.text, 0, rule.mark, rule.source)
