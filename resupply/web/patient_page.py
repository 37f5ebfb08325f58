"""What a patient's own page holds, for the patient and for staff who look at it.

Everything is put into words here, in the language asked for: the templates only show.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from resupply.delivery.calendar_words import KINDS
from resupply.models import Patient, PatientStatus, Subscription
from resupply.queries import deliveries, own_page
from resupply.queries import feeds as feed_queries
from resupply.queries import questions as question_queries
from resupply.queries.own_page import Chore, Why
from resupply.queries.strips import StripData, strip_data
from resupply.rules.cleaning import cautions
from resupply.rules.kinds import Kind
from resupply.rules.lines import LinePlan, LineStatus, State, read
from resupply.rules.patient_page import MONTHS, WEEKDAYS, said_day, said_hour, words
from resupply.rules.zones import zone_named
from resupply.services.records import local_day
from resupply.web.strip import StripChart, StripLine, Tick, default_window, layout
from resupply.web.strip_units import strip_units
from resupply.web.wording import MONTHS as SHORT_MONTHS


@dataclass(frozen=True, slots=True)
class ChoreShown:
    """A cleaning task in words. `note` says why it is there besides the checklist."""

    code: str
    title: str
    how: str
    note: str
    is_done: bool


@dataclass(frozen=True, slots=True)
class QuestionShown:
    """The refill question in a sentence: open, or `answered` in a way that can still be changed."""

    answered: bool
    said: str


def page_context(patient: Patient, *, language: str, today: date, now: datetime) -> dict[str, object]:
    """Everything the page shows of a patient, whose plan holds. Eleven queries, and up to three about a
    refill question.
    """
    said = words(language)
    plan = own_page.lines(patient)
    checklists = own_page.series(patient)
    chores = own_page.chores(patient, plan, checklists, day=today)
    weekly = own_page.next_weekly(patient, checklists, today=today)
    pause = own_page.open_pause(patient, today=today)
    overdue = own_page.worn_out(plan, today=today)
    return {
        "words": said,
        "language": language,
        "person": patient,
        "today": today,
        "today_said": said_day(today, language, today=today),
        "greeting": greeting(patient, language, now=now),
        "is_on_therapy": patient.status == PatientStatus.ON_THERAPY,
        "question": _question(patient, language, today=today, now=now),
        "hour": said["hour_about"].format(hour=said_hour(patient.cleaning_hour, language))
        if patient.cleaning_hour is not None
        else "",
        "calendar": _calendar(patient, language, today),
        "chores": [_shown(chore, language) for chore in chores],
        "all_done": bool(chores) and all(chore.is_done for chore in chores),
        "next_wash": said["next_wash"].format(day=said_day(weekly, language, today=today)) if weekly else "",
        "cautions": [caution.text[language] for caution in cautions()],
        "pause": pause,
        "paused_since": said["paused_since"].format(day=said_day(pause.on, language, today=today))
        if pause
        else "",
        "chart": _chart(plan, strip_data(patient, today=today), language, today) if plan else None,
        "overdue": said["overdue"].format(parts=parts_said(overdue, language)) if overdue else "",
        "coming": _coming(plan, language, today),
        "delivery": _delivery(patient, plan, language, today),
        "choices": said["choices_about"].format(
            weekday=WEEKDAYS[language][patient.cleaning_weekday], day=patient.cleaning_month_day
        ),
    }


def _question(patient: Patient, language: str, *, today: date, now: datetime) -> QuestionShown | None:
    """What was asked last, while an answer can be given or changed."""
    found = question_queries.latest(patient)
    asked = question_queries.asked(found, day=today, now=now) if found else None
    if asked is None or not asked.parts:
        return None
    said, answer = words(language), asked.answer
    if answer is None:
        parts = parts_said([Kind(part.kind) for part in asked.parts], language)
        return QuestionShown(False, said["question_about"].format(parts=parts))
    if not asked.can_change:
        return None
    day = said_day(local_day(answer.answered_at, patient.time_zone), language, today=today)
    return QuestionShown(True, said["question_said"].format(day=day))


def _calendar(patient: Patient, language: str, today: date) -> str:
    """Whether the patient's calendar is read; nothing where there is none."""
    live = feed_queries.newest_live(patient)
    if live is None:
        return ""
    said = read_said(live, language, today)
    return f"{said[0].upper()}{said[1:]}."


def read_said(calendar: Subscription, language: str, today: date) -> str:
    """When a calendar was last read."""
    if calendar.last_fetched_at is None:
        return words(language)["calendar_never"]
    zone = calendar.patient.time_zone
    day = said_day(local_day(calendar.last_fetched_at, zone), language, today=today)
    return words(language)["calendar_read"].format(day=day)


def greeting(patient: Patient, language: str, *, now: datetime) -> str:
    """By the hour where the patient lives."""
    hour = now.astimezone(zone_named(patient.time_zone)).hour
    key = "morning" if 4 <= hour < 12 else "afternoon" if 12 <= hour < 18 else "evening"
    return words(language)[key].format(name=patient.given_name or patient.family_name)


def parts_said(kinds: Sequence[Kind], language: str) -> str:
    """Kinds of parts in the patient's language: `cushion, mask`."""
    return ", ".join(KINDS[language][kind] for kind in kinds)


def _shown(chore: Chore, language: str) -> ChoreShown:
    said = words(language)
    note = {
        Why.CHECKLIST: "",
        Why.FIRST_USE: said["first_use"].format(parts=parts_said(chore.kinds, language)),
        Why.ILL: said["after_ill"],
    }[chore.why]
    task = chore.task
    return ChoreShown(task.code, task.title[language], task.how[language], note, chore.is_done)


def _delivery(patient: Patient, plan: Sequence[LinePlan], language: str, today: date) -> str:
    """The next delivery and its parts, if the patient says yes; empty where none is foreseen. One query."""
    found = deliveries.of_patient(patient, plan, said_yes=(), today=today)
    if found is None:
        return ""
    parts = parts_said([Kind(kind) for kind in found.kinds], language)
    return words(language)["delivery"].format(day=said_day(found.day.on, language, today=today), parts=parts)


def _coming(plan: Sequence[LinePlan], language: str, today: date) -> list[tuple[str, list[str]]]:
    """Days ahead, each with its sentences."""
    said = words(language)
    found = []
    for day in own_page.coming(plan, today=today):
        sentences = [
            said[key].format(parts=parts_said(kinds, language))
            for key, kinds in (("change", day.change), ("needed", day.needed), ("ask", day.ask))
            if kinds
        ]
        found.append((said_day(day.on, language, today=today), sentences))
    return found


def _chart(plan: Sequence[LinePlan], data: StripData, language: str, today: date) -> StripChart:
    """The strip, its words and months in the patient's language."""
    rows = [_strip_line(line, data, language, today) for line in plan]
    start, end = default_window(today, simple=True)
    chart = layout(rows, today=today, start=start, end=end)
    names = dict(zip(SHORT_MONTHS, (month[:3] for month in MONTHS[language]), strict=True))
    ticks: list[Tick] = []
    for tick in chart.ticks:  # on a small phone the year takes the room of the month after it
        label = names[tick.label[:3]] + tick.label[3:]
        follows_a_year = bool(ticks) and len(ticks[-1].label) > len(names["Jan"])
        ticks.append(replace(tick, label=label, show="never" if follows_a_year else tick.show))
    return replace(chart, ticks=tuple(ticks))


def _strip_line(line: LinePlan, data: StripData, language: str, today: date) -> StripLine:
    status = read(line, as_of=today)
    return StripLine(
        KINDS[language][line.kind].capitalize(),
        "",
        units=strip_units(data.lines[line.kind], today=today) if line.kind in data.lines else (),
        supply_ends_on=line.supply_ends_on,
        pauses=tuple((pause.start, pause.until) for pause in data.pauses),
        state=status.state.value,
        spares=line.spares,
        worn_on=line.worn_on,
        sentence=_line_said(line, status, language, today),
    )


def _line_said(line: LinePlan, status: LineStatus, language: str, today: date) -> str:
    """What to change and when, what is left at home."""
    said = words(language)
    if status.state is State.PAUSED:
        return said["on_pause"]
    if status.state is State.OVERDUE:
        return said["past_date"].format(day=said_day(line.supply_ends_on, language, today=today))
    if status.state is State.DUE:
        return said["date_today"]
    change = line.worn_on or line.supply_ends_on
    parts = [said["change_on"].format(day=said_day(change, language, today=today))]
    if line.spares:
        parts.append(said["spares_one"] if line.spares == 1 else said["spares"].format(count=line.spares))
    return " · ".join(parts)
