"""A clinic that starts empty: locations, payers, steps put aside, tests of mail; what the records show."""

from datetime import timedelta

import pytest

from clinic.accounts.models import User
from resupply.models import AllowanceVersion, Location, MailTest, Payer, Role, StepAside, StockLevel
from resupply.queries import first_steps as queries
from resupply.queries import locations as location_queries
from resupply.queries import payers as payer_queries
from resupply.rules.first_steps import State, Step
from resupply.rules.sending import Answer, Outcome
from resupply.rules.tables import usual_maximums
from resupply.services import first_steps, locations, payers, people
from resupply.services.errors import Refused
from resupply.services.locations import LocationDetails
from resupply.services.payers import PayerRules
from tests import builders
from tests.builders import NOW, TODAY

pytestmark = pytest.mark.django_db
DENVER = LocationDetails(name=" North  room ", time_zone="America/Denver", phone="+1 303 555 0100")


@pytest.fixture
def ada() -> User:
    return builders.make_staff(Role.ADMINISTRATOR, username="ada").user


def found() -> queries.Found:
    return queries.found(server="mail.example:587", sender="desk@clinic.example")


def states() -> dict[str, str]:
    return {one.step.value: one.state.value for one in found().steps.steps}


# --- the steps ----------------------------------------------------------------------------------------------


def test_each_step_is_shown_as_done_by_the_records(ada: User) -> None:
    """In the order of the list, each by the record that it asks for and no other."""
    assert set(states().values()) == {"next", "left"}
    place = locations.add_location(DENVER, by=ada)
    builders.make_staff(username="ines")
    payers.add_payer("Payer A", PayerRules.NONE, reevaluation="", by=ada, now=NOW)
    builders.make_item()
    builders.make_batch()
    first_steps.record_mail_test(
        Answer(Outcome.ACCEPTED), server="mail.example:587", sender="desk@clinic.example", by=ada, now=NOW
    )
    assert states() == dict.fromkeys(Step, "done") | {"dispense": "next"}
    builders.make_dispense(builders.make_patient(location=place), recorded_at=NOW)
    assert found().steps.is_over
    assert found().leads(now=NOW + timedelta(days=29))
    assert not found().leads(now=NOW + timedelta(days=30))  # a clinic at work is led no more
    first_steps.put_away(by=ada, now=NOW)
    assert not found().leads(now=NOW)


def test_records_that_no_longer_stand_do_not_count(ada: User) -> None:
    builders.make_staff(username="ines", is_active=False)
    builders.make_batch(undone_at=NOW, undo_reason="of another clinic")
    builders.make_item(is_offered=False)
    answer = Answer(Outcome.ACCEPTED)
    first_steps.record_mail_test(
        answer, server="old.example:25", sender="desk@clinic.example", by=ada, now=NOW
    )
    first_steps.record_mail_test(
        Answer(Outcome.UNREACHABLE, "gaierror"), server="mail.example:587", sender="desk@clinic.example",
        by=ada, now=NOW,
    )  # fmt: skip
    assert states()["location"] == State.NEXT
    assert {states()[name] for name in ("staff", "catalogue", "list", "mail")} == {State.LEFT}
    assert [row.detail for row in queries.mail_tests()] == ["gaierror", ""]


def test_a_step_is_put_aside_once_and_taken_up_again_on_record(ada: User) -> None:
    first_steps.put_aside(Step.PAYERS, by=ada, now=NOW)
    first_steps.put_aside(Step.PAYERS, by=ada, now=NOW)
    assert states()["payers"] == State.ASIDE
    assert [(one.step, one.recorded_by, one.recorded_at) for one in queries.asides()] == [
        ("payers", ada, NOW)
    ]
    first_steps.take_up(Step.PAYERS, by=ada, now=NOW)
    assert states()["payers"] == State.LEFT
    assert StepAside.objects.get().void_reason == first_steps.TAKEN_UP
    with pytest.raises(Refused) as refused:
        first_steps.put_aside(Step.LOCATION, by=ada, now=NOW)
    assert refused.value.code == "needed"
    assert not MailTest.objects.exists()


# --- locations ----------------------------------------------------------------------------------------------


def test_a_location_is_added_corrected_and_its_history_kept(ada: User) -> None:
    place = locations.add_location(DENVER, weekdays=[0, 2, 4], by=ada)
    assert (place.name, place.open_weekdays) == ("North room", "024")
    locations.change_location(
        place,
        LocationDetails(name="North room", time_zone="America/Chicago", phone="+1 312 555 0100"),
        by=ada,
    )
    newest, *_, first = location_queries.changes(place)
    assert (newest.by, [(one.name, one.before, one.after) for one in newest.fields]) == (
        "ada",
        [
            ("time_zone", "America/Denver", "America/Chicago"),
            ("phone", "+1 303 555 0100", "+1 312 555 0100"),
        ],
    )
    assert first.is_new


@pytest.mark.parametrize(
    ("details", "code"),
    [
        (LocationDetails(name="  ", time_zone="America/Denver"), "name_missing"),
        (LocationDetails(name="Annex", time_zone="Mars/North"), "time_zone"),
        (LocationDetails(name="south ROOM", time_zone="America/Denver"), "name_taken"),
    ],
    ids=["no name", "no such zone", "taken"],
)
def test_a_location_is_refused(details: LocationDetails, code: str) -> None:
    builders.make_location(name="South room")
    with pytest.raises(Refused) as refused:
        locations.add_location(details, by=None)
    assert refused.value.code == code
    assert Location.objects.count() == 1


def test_a_location_closes_when_nobody_and_nothing_is_there(ada: User) -> None:
    north, south = builders.make_location(name="North room"), builders.make_location(name="South room")
    person, item = builders.make_patient(location=north), builders.make_item()
    StockLevel.objects.create(location=north, item=item, on_hand=2)

    def refusal() -> str:
        with pytest.raises(Refused) as refused:
            locations.close_location(north, on=TODAY, by=ada)
        return refused.value.code

    assert refusal() == "has_patients"
    person.status = "moved"
    person.save()
    assert refusal() == "has_stock"
    north.stock_levels.update(on_hand=0)
    assert locations.close_location(north, on=TODAY, by=ada).closed_on == TODAY
    assert refusal() == "closed_already"
    with pytest.raises(Refused, match="One location must stay open"):
        locations.close_location(south, on=TODAY, by=ada)
    assert [(place.name, place.people) for place in location_queries.listed()] == [
        ("South room", 0),
        ("North room", 0),
    ]
    details = people.PatientDetails(
        reference="N1", given_name="New", family_name="Person", birth_date=TODAY, location=north
    )
    north.refresh_from_db()
    with pytest.raises(Refused) as refused:
        people.create_patient(details, by=ada, now=NOW)
    assert refused.value.code == "closed"
    locations.open_location(north, by=ada)
    assert people.create_patient(details, by=ada, now=NOW).location == north


# --- payers -------------------------------------------------------------------------------------------------


def test_a_payer_takes_over_the_shipped_table_with_its_source(ada: User) -> None:
    """A7032 twice a month, three months at once: the published table (`usual_maximums.toml`, marked P)."""
    payer = payers.add_payer("Payer A", PayerRules.PUBLISHED, reevaluation="pap", by=ada, now=NOW)
    row = AllowanceVersion.objects.get(payer=payer, part_code="A7032")
    assert (row.units, row.period_count, row.period_unit, row.at_once_periods) == (2, 1, "month", 3)
    assert "Maximum Allowable of PAP and RAD Accessories" in row.source
    assert row.recorded_by == ada
    (listed,) = payer_queries.listed()
    assert (listed.codes, listed.sources, listed.covers) == (len(usual_maximums()), [row.source], False)
    assert (payer.refill_source, payer.reevaluation) == ("shipped", "pap")


def test_a_payer_is_named_once(ada: User) -> None:
    payer = payers.add_payer("Payer A", PayerRules.NONE, reevaluation="", by=ada, now=NOW)
    for name, code in (("payer a", "name_taken"), (" ", "name_missing")):
        with pytest.raises(Refused) as refused:
            payers.add_payer(name, PayerRules.NONE, reevaluation="", by=ada, now=NOW)
        assert refused.value.code == code
    with pytest.raises(Refused, match="Choose a policy"):
        payers.add_payer("Payer B", PayerRules.NONE, reevaluation="other", by=ada, now=NOW)
    assert payers.rename_payer(payer, "Payer  A, west").name == "Payer A, west"
    assert Payer.objects.count() == 1


def test_the_table_is_taken_over_at_once_only_while_no_plan_would_move(ada: User) -> None:
    payer, used = builders.make_payer(), builders.make_payer()
    builders.make_patient(payer=used)
    payers.take_over_published(payer, by=ada, now=NOW)
    assert Payer.objects.get(pk=payer.pk).refill_source == "shipped"
    for one, code in ((payer, "has_allowances"), (used, "covers")):
        with pytest.raises(Refused) as refused:
            payers.take_over_published(one, by=ada, now=NOW)
        assert refused.value.code == code
    assert not AllowanceVersion.objects.filter(payer=used).exists()
