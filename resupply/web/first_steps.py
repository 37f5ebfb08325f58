"""The first steps as pages show them: each with its words, where it is done, and the one that comes next."""

from dataclasses import dataclass, replace
from datetime import datetime

from django.urls import reverse

from resupply.delivery.mail_check import mail_settings
from resupply.queries import first_steps as queries
from resupply.queries.first_steps import Found
from resupply.queries.names import staff_name
from resupply.rules.first_steps import FirstSteps, Standing, State, Step
from resupply.web.access import StaffRequest, can
from resupply.web.wording import counted

STATE_WORDS = {
    State.DONE: ("done", "state-deliver"),
    State.ASIDE: ("not for us", "state-in_supply"),
    State.NEXT: ("next", "state-ask"),
    State.LEFT: ("to do", "state-in_supply"),
}


@dataclass(frozen=True, slots=True)
class Words:
    """What a step is about, what can be changed later, and where it is done: view, permission, button."""

    title: str
    about: str
    later: str
    view: str
    permission: str
    action: str
    seen_at: str = ""
    """The view that shows what is on record; empty: the one where it is done."""
    more: tuple[str, str] = ("", "")
    """Another view of the same permission that helps, and what its link says."""


WORDS: dict[Step, Words] = {
    Step.LOCATION: Words(
        "A location",
        "Where patients are seen. Its time zone dates what is dispensed there, and its phone number "
        "stands in messages to patients. Everything else belongs to a location, so it comes first.",
        "All of it can be changed later. A location that is given up is closed, and its records stay.",
        "manager:location_new",
        "location.change",
        "Add a location",
        "manager:locations",
    ),
    Step.STAFF: Words(
        "The people who work here",
        "Each is invited by mail, chooses a password and a second step, and has one role. Where mail does "
        "not go out yet, test it first, or let whoever runs the site make accounts with "
        "“manage.py add_staff”.",
        "Roles and locations can be changed, and who leaves is shut out at once.",
        "people",
        "people.change",
        "Invite somebody",
    ),
    Step.PAYERS: Words(
        "Payers and what they allow",
        "Who pays for parts. A payer that follows the published usual maximums takes over the shipped table "
        "and refill rule, with their source. Patients who pay themselves need none.",
        "Allowances are dated versions: a change is drafted, and shows what it would do before it counts.",
        "manager:payer_new",
        "policy.change",
        "Add a payer",
        "manager:payers",
    ),
    Step.CATALOGUE: Words(
        "The items on your shelf",
        "Part types, billing codes and lives are shipped. Items are yours: name, size, and the number in the "
        "bar code, scanned or typed. Without items, parts are given by their billing code alone.",
        "Items can be corrected, or offered no longer. What was dispensed keeps what it said.",
        "manager:item_new",
        "catalogue.change",
        "Add an item",
        "manager:catalogue",
    ),
    Step.LIST: Words(
        "Your old list",
        "Patients, what they were given, payers and pauses, as CSV files or one workbook; empty ones with "
        "their columns are there to fill in. The list is checked first, row by row, and nothing is written "
        "until you say so.",
        "The same list can be sent again, since what is on record is recognised. An import can be undone as "
        "a whole.",
        "desk:import_new",
        "import.run",
        "Import a list",
        "desk:imports",
        ("desk:import_columns", "Columns, with empty files to fill in"),
    ),
    Step.MAIL: Words(
        "Mail that goes out",
        "Reminders and invitations leave through your mail server. A test message shows that it takes them, "
        "or at which step it does not, and what to do.",
        "The settings are environment variables. When they change, test again.",
        "manager:mail",
        "mail.check",
        "Test the mail",
    ),
    Step.DISPENSE: Words(
        "The first dispense",
        "Find or add a patient, then record the parts that were given. From then on each part has its dates: "
        "when it is worn, when to ask, when new ones may be dispensed.",
        "A dispense can be corrected or voided with a reason; it stays readable.",
        "desk:find",
        "dispense.record",
        "Find or add a patient",
        "desk:book",
    ),
}


@dataclass(frozen=True, slots=True)
class ShownStep:
    """A step on a page. `url` is empty where the person asking may not do it."""

    standing: Standing
    words: Words
    state: str
    css: str
    on_record: str
    url: str
    seen_url: str
    aside_by: str
    aside_at: datetime | None

    @property
    def more_url(self) -> str:
        """The address of what helps with it, while it is not done; empty: there is none."""
        is_open = self.standing.state in (State.NEXT, State.LEFT) and bool(self.url)
        return reverse(self.words.more[0]) if is_open and self.words.more[0] else ""

    @property
    def is_next(self) -> bool:
        """Whether it is the one to do now."""
        return self.standing.state is State.NEXT


@dataclass(frozen=True, slots=True)
class Shown:
    """All of them, and how far they are."""

    found: Found
    steps: list[ShownStep]
    summary: FirstSteps
    is_at_work: bool = False
    """Whether the clinic has long begun: what is left waits, and none of it is next."""

    @property
    def next(self) -> ShownStep | None:
        """The one to do now; None: nothing is left, or nothing presses."""
        return next((step for step in self.steps if step.is_next), None)

    @property
    def says(self) -> str:
        """How far they are: `2 of 7 settled`."""
        return f"{self.summary.settled} of {len(self.steps)} settled"


def first_steps(request: StaffRequest, *, now: datetime) -> Shown:
    """The steps for the page of their own. Three queries."""
    asides = {one.step: one for one in queries.asides()}
    shown = _shown(request, _found(), now=now)
    steps = []
    for step in shown.steps:
        aside = asides.get(step.standing.step.value) if step.standing.state is State.ASIDE else None
        by = aside.recorded_by if aside else None
        steps.append(
            ShownStep(
                step.standing, step.words, step.state, step.css, step.on_record, step.url, step.seen_url,
                staff_name(by), aside.recorded_at if aside else None,
            )
        )  # fmt: skip
    return replace(shown, steps=steps)


def leading(request: StaffRequest, *, now: datetime) -> Shown | None:
    """The steps for the first page of who may see them, while they lead the clinic; else None."""
    if not can(request, "first_steps.see"):
        return None
    found = _found()
    return _shown(request, found, now=now) if found.leads(now=now) else None


def _found() -> Found:
    mail = mail_settings()
    return queries.found(server=mail.server, sender=mail.sender)


def _shown(request: StaffRequest, found: Found, *, now: datetime) -> Shown:
    summary, is_at_work = found.steps, found.is_at_work(now=now)
    standings = [_waiting(one) if is_at_work else one for one in summary.steps]
    return Shown(found, [_step(request, found, one) for one in standings], summary, is_at_work)


def _waiting(one: Standing) -> Standing:
    """A step of a clinic at work: none of those that are left comes first."""
    return replace(one, state=State.LEFT) if one.state is State.NEXT else one


def _step(request: StaffRequest, found: Found, one: Standing) -> ShownStep:
    words, may_do = WORDS[one.step], can(request, WORDS[one.step].permission)
    state, css = STATE_WORDS[one.state]
    view = words.view
    if one.step is Step.DISPENSE and not found.has_patients:
        view = "desk:patient_new"
    query = f"?next={reverse('manager:first_steps')}" if view in _COMES_BACK else ""
    is_done = one.state is State.DONE
    return ShownStep(
        one, words, state, css,
        _on_record(found, one.step) if is_done else "",
        reverse(view) + query if may_do else "",
        reverse(words.seen_at or words.view) if is_done and may_do else "",
        "", None,
    )  # fmt: skip


_COMES_BACK = {"manager:location_new", "manager:payer_new", "manager:item_new"}
"""Views that lead back to where their address says."""


def _on_record(found: Found, step: Step) -> str:
    """What shows that a step is done."""
    mailed = "a mail server took a test message" if found.is_tested else "messages to patients went out"
    return {
        Step.LOCATION: counted(found.locations, "location"),
        Step.STAFF: counted(found.people, "person,people"),
        Step.PAYERS: counted(found.payers, "payer"),
        Step.CATALOGUE: counted(found.items, "item"),
        Step.LIST: "a list was imported",
        Step.MAIL: mailed,
        Step.DISPENSE: "parts were given",
    }[step]
