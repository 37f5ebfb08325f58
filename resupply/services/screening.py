"""Screens about magnets: recorded as asked, and taken back with a reason.

A yes holds over later answers: what a newer screen leaves out is kept (`details["kept"]`), and only a
therapist or an administrator records, with a reason, that it no longer applies. Plans do not depend on
screens; whoever gives out parts asks `queries.screening`.
"""

from collections.abc import Iterable, Mapping
from datetime import date, datetime

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import MagnetScreen, Patient, Role, Staff
from resupply.queries import screening
from resupply.rules.magnets import Person, Said, implants, said_of, standing
from resupply.services import plans
from resupply.services.errors import Refused
from resupply.services.records import check_day, check_reason, local_day, stamp, take_back

CLEARING_ROLES = frozenset({Role.THERAPIST, Role.ADMINISTRATOR})
Answers = Mapping[str, str]
"""One person's answers, a value of `Said` by code of the list (`rules.magnets.implants`)."""


def record_screen(
    *,
    patient: Patient,
    asked_on: date,
    wearer: Answers,
    close_contact: Answers,
    by: AbstractBaseUser | None,
    now: datetime,
    by_patient: bool = False,
    cleared_reason: str = "",
) -> MagnetScreen:
    """Record what was said about implants and objects of the wearer and of anyone in close contact.

    A line of the list without an answer is refused, unless there is a yes: that is never held back, and the
    rest counts as "not known". Raises Refused: `before_birth`, `future`, `answer`, `answers_missing`,
    `yes_holds` (a yes is on record and none is among the answers), `reason_missing`, `reason_long`,
    `not_yours`, `nothing_to_clear`.
    """
    check_day(patient, asked_on, today=local_day(now, patient.time_zone), field="asked_on")
    given = _checked({Person.WEARER: wearer, Person.CLOSE_CONTACT: close_contact})
    with transaction.atomic():
        plans.lock_patients([patient.pk])
        before = list(MagnetScreen.objects.filter(patient=patient, voided_at=None).order_by("pk"))
        reason = _check_clearing(before, given, cleared_reason, by)
        held = None if reason else standing(map(screening.to_facts, before))
        said = {
            person: Said.YES if held and getattr(held, person) is Said.YES else said_of(answers)
            for person, answers in given.items()
        }
        return MagnetScreen.objects.create(
            patient=patient,
            asked_on=asked_on,
            wearer=said[Person.WEARER].value,
            close_contact=said[Person.CLOSE_CONTACT].value,
            details={**_plain(given), "kept": {} if reason else _kept(before, given)},
            by_patient=by_patient,
            cleared_reason=reason,
            **stamp(by, now),
        )


def void_screen(
    screen: MagnetScreen, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> MagnetScreen:
    """Take a screen back with a reason; the ones before it count again. One with a yes is taken back by
    those who may clear it. Raises Refused `reason_missing`, `reason_long`, `already_void`, `yes_holds`.
    """
    with transaction.atomic():
        plans.lock_patients([screen.patient_id])
        if Said.YES in (screen.wearer, screen.close_contact) and not may_clear(by):
            raise _yes_holds()
        take_back(screen, reason=reason, by=by, now=now)
    return screen


def may_clear(by: AbstractBaseUser | None) -> bool:
    """Whether a person may record that a yes no longer applies: therapists and administrators."""
    return by is not None and Staff.objects.filter(user_id=by.pk, role__in=CLEARING_ROLES).exists()


def _checked(answers: Mapping[Person, Answers]) -> dict[Person, dict[str, Said]]:
    """The answers of both, read; refused where they are incomplete and hold no yes."""
    given = {person: _read(of) for person, of in answers.items()}
    if not _any_yes(given.values()):
        _check_whole(given)
    return given


def _read(answers: Answers) -> dict[str, Said]:
    try:
        said = {code: Said(answer) for code, answer in answers.items()}
    except ValueError:
        raise Refused("answer", "Answer each line with no, yes or not known.") from None
    if said.keys() - implants().keys():
        raise Refused("answer", "An answer names something that is not on the list. Open the form again.")
    return said


def _check_whole(given: Mapping[Person, Mapping[str, Said]]) -> None:
    """Refuse lines left open, of whom they were first."""
    for person, answers in given.items():
        missing = [code for code in implants() if code not in answers]
        if missing:
            raise Refused(
                "answers_missing",
                f"{len(missing)} of {len(implants())} lines have no answer. “Not known” is one.",
                f"{person}_{missing[0]}",
            )


def _check_clearing(
    before: Iterable[MagnetScreen],
    given: Mapping[Person, Mapping[str, Said]],
    cleared_reason: str,
    by: AbstractBaseUser | None,
) -> str:
    """The reason why an earlier yes no longer applies, where one is cleared; empty where none is."""
    held = standing(map(screening.to_facts, before))
    is_held = held is not None and Said.YES in (held.wearer, held.close_contact)
    wants_to_clear = bool(cleared_reason.strip())
    if wants_to_clear and not is_held:
        raise Refused(
            "nothing_to_clear", "No yes is on record, so there is nothing to clear.", "cleared_reason"
        )
    if wants_to_clear and not may_clear(by):
        raise Refused("not_yours", "Only a therapist records that a yes no longer applies.", "cleared_reason")
    if is_held and not wants_to_clear and not _any_yes(given.values()):
        if not may_clear(by):
            raise _yes_holds()
        raise Refused(
            "reason_missing",
            "A yes is on record. Say why it no longer applies, or answer yes where it still does.",
            "cleared_reason",
        )
    return check_reason(cleared_reason) if wants_to_clear else ""


def _yes_holds() -> Refused:
    return Refused(
        "yes_holds",
        "A yes is on record. It holds until a therapist records that it no longer applies: hand this to a "
        "therapist.",
    )


def _any_yes(answers: Iterable[Mapping[str, Said]]) -> bool:
    """Whether any line that counts was answered with yes."""
    return any(said_of(of) is Said.YES for of in answers)


def _plain(given: Mapping[Person, Mapping[str, Said]]) -> dict[str, dict[str, str]]:
    """The answers as they are stored."""
    return {
        person.value: {code: said.value for code, said in answers.items()}
        for person, answers in given.items()
    }


def _kept(before: Iterable[MagnetScreen], given: Mapping[Person, Mapping[str, Said]]) -> dict[str, list[str]]:
    """Lines with an earlier yes that the new answers do not repeat, by person."""
    earlier = screening.named(before)
    return {
        person.value: [code for code in earlier[person] if answers.get(code) is not Said.YES]
        for person, answers in given.items()
    }
