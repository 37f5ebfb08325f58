"""The first steps of a clinic that starts with nothing on record: what is done, what is left, what is next.

The rule in plain words. A step is done when the records say so, whoever made them and in whatever order: a
location that is open, a second member of staff, a payer, an item of the catalogue, an old list written, a
mail that a server took, a first dispense. A step that a clinic has no use for is put aside, by a person, and
may be taken up again; what everything else hangs on (a location, a first dispense) cannot be. The next step
is the first in order that is neither done nor put aside. A step that is done counts as done even where it
was put aside before.

Source: ours; no published rule.

>>> begin = standing({Step.LOCATION}, {Step.STAFF})
>>> [(one.step.value, one.state.value) for one in begin.steps][:3]
[('location', 'done'), ('staff', 'aside'), ('payers', 'next')]
>>> begin.settled, begin.next
(2, <Step.PAYERS: 'payers'>)
"""

from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum


class Step(StrEnum):
    """The steps, in the order in which each makes the next easier."""

    LOCATION = "location"
    STAFF = "staff"
    PAYERS = "payers"
    CATALOGUE = "catalogue"
    LIST = "list"
    MAIL = "mail"
    DISPENSE = "dispense"


class State(StrEnum):
    """Where a step stands."""

    DONE = "done"
    ASIDE = "aside"
    NEXT = "next"
    LEFT = "left"


NEEDED = frozenset({Step.LOCATION, Step.DISPENSE})
"""Steps that cannot be put aside."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One step, and where it stands."""

    step: Step
    state: State

    @property
    def may_be_put_aside(self) -> bool:
        """Whether a person may say "not for us"."""
        return self.state in (State.NEXT, State.LEFT) and self.step not in NEEDED


@dataclass(frozen=True, slots=True)
class FirstSteps:
    """All of them, in order."""

    steps: tuple[Standing, ...]

    @property
    def settled(self) -> int:
        """How many are done or put aside."""
        return sum(one.state in (State.DONE, State.ASIDE) for one in self.steps)

    @property
    def next(self) -> Step | None:
        """The one to do now; None: nothing is left."""
        return next((one.step for one in self.steps if one.state is State.NEXT), None)

    @property
    def is_over(self) -> bool:
        """Whether nothing is left to do."""
        return self.next is None


def standing(done: Collection[Step], aside: Collection[Step]) -> FirstSteps:
    """Where every step stands, from those that the records show as done and those put aside."""
    found: list[Standing] = []
    is_next = True
    for step in Step:
        if step in done:
            state = State.DONE
        elif step in aside and step not in NEEDED:
            state = State.ASIDE
        else:
            state = State.NEXT if is_next else State.LEFT
            is_next = False
        found.append(Standing(step, state))
    return FirstSteps(tuple(found))
