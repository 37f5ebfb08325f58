"""A matching table in words: what a rule asks for, what it does, and how far its source was read. For staff.

>>> from resupply.rules.matching_table import shipped
>>> rule = next(rule for rule in shipped().rules if rule.id == "blocked_nose")
>>> condition_words(rule.when, shipped())
'Blocked nose: most of the time'
>>> effect_words(rule), style_words(rule.styles, shipped())
('speaks against (4)', 'Nasal pillows, Nasal cradle, Nasal mask')
>>> condition_words({}, shipped())
'Always'
"""

from collections.abc import Iterable, Mapping

from resupply.rules.matching_parts import Condition, Effect, Gate, Question, Rule, Table, Wanted

EFFECTS: Mapping[Effect, str] = {
    Effect.FOR: "speaks for",
    Effect.AGAINST: "speaks against",
    Effect.WATCH: "says what to watch",
    Effect.NOT_NOW: "not offered for now",
    Effect.RULED_OUT: "ruled out",
    Effect.REFER: "refers the patient; no order is offered",
}
MARKS: Mapping[str, str] = {
    "P": "published",
    "P2": "published, known from a report of it",
    "M": "from memory, to be checked",
    "CP": "common practice",
    "D": "the clinic's own",
}
"""How far a source was read, by its mark."""
ALWAYS = "Always"


def condition_words(condition: Condition, table: Table) -> str:
    """What has to be answered, question by question."""
    questions = {question.id: question for question in table.questions}
    return "; ".join(_asked(questions[name], wanted) for name, wanted in condition.items()) or ALWAYS


def effect_words(rule: Rule) -> str:
    """What a rule does, with its weight where it has one."""
    return f"{EFFECTS[rule.effect]} ({rule.weight})" if rule.weight else EFFECTS[rule.effect]


def style_words(styles: Iterable[str], table: Table) -> str:
    """The names of styles."""
    names = {style.id: style.name for style in table.styles}
    return ", ".join(names[style] for style in styles)


def source_words(mark: str, source: str) -> str:
    """A source with what it is worth, said once: `common practice; no trial found`."""
    worth = MARKS.get(mark, mark)
    told = source.casefold()
    for said in (worth, worth.partition(",")[0]):
        if told.startswith(said):
            return worth + source[len(said) :]
    return f"{worth}: {source}"


def rule_words(rule: Rule, table: Table) -> str:
    """A rule in one line, everything that counts in it."""
    about = f" {style_words(rule.styles, table)}." if rule.styles else ""
    watch = f" To watch: {rule.watch}" if rule.watch else ""
    does = f"{effect_words(rule)}{':' if about else '.'}{about}"
    known = source_words(rule.mark, rule.source)
    return f"{condition_words(rule.when, table)} → {does} {rule.text}{watch} ({known})"


def gate_words(gate: Gate, table: Table) -> str:
    """A gate in one line: when it opens, why, and from where that is known."""
    unless = ", or ".join(condition_words(one, table) for one in gate.unless)
    return f"After the others, unless {unless}. {gate.text} ({source_words(gate.mark, gate.source)})"


def _asked(question: Question, wanted: Wanted) -> str:
    if isinstance(wanted, Mapping):
        return f"{question.text}: at least {wanted['at_least']:g} {question.unit}".rstrip()
    words = dict(question.values)
    return f"{question.text}: {' or '.join(words[value] for value in wanted)}"
