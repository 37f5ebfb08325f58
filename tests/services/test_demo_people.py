"""Who and what the demo clinic is made of: plainly invented, and formally right."""

import re

from django.conf import settings
from django.contrib.auth import get_user_model

from resupply.models import CatalogueItem, Location, Order, Patient, Payer, Staff
from resupply.queries import first_steps
from resupply.rules.item_numbers import read_hibc
from resupply.services.demo.clinic import gtin, npi_of
from tests.demo_days import USUAL, DemoOn, midday


def test_everything_is_plainly_invented(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    assert settings.CLINIC_NAME == "Juniper Bend Sleep Clinic (demo)"
    for patient in Patient.objects.all():
        assert re.fullmatch(r"\+1 \d{3} 555 01\d\d", patient.phone)  # 555-0100 to 0199: kept for fiction
        assert not patient.email or patient.email.endswith("@patients.example")
        assert "(demo)" in patient.address
    names = [patient.name for patient in Patient.objects.all()]
    assert len(set(names)) == len(names)
    phones = Patient.objects.values_list("phone", flat=True)
    assert len(set(phones)) == len(phones)
    assert {user.last_name[-6:] for user in get_user_model().objects.all()} == {"(demo)"}
    assert all("(invented)" in order.prescriber_name for order in Order.objects.all())


def test_rooms_payers_and_staff(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    assert [(one.name, one.time_zone) for one in Location.objects.all()] == [
        ("North room", "America/Denver"),
        ("South room", "America/Chicago"),
    ]
    assert [payer.name for payer in Payer.objects.all()] == ["Payer A", "Payer B", "Payer C", "Payer D"]
    roles = dict(Staff.objects.values_list("user__username", "role"))
    assert roles == {
        "desk": "desk",
        "therapist": "therapist",
        "manager": "manager",
        "admin": "administrator",
    }
    assert not any(staff.user.has_usable_password() for staff in Staff.objects.select_related("user"))
    assert {
        Location.objects.get(name=name).patients.count() > 15 for name in ("North room", "South room")
    } == {True}


def test_a_clinic_at_work_is_led_through_no_first_steps(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    steps = first_steps.found(server="files on this machine", sender="desk@clinic.example")
    assert not steps.leads(now=midday(USUAL))
    assert {one.step for one in steps.steps.steps if one.state != "done"} == {"list"}


def test_numbers_carry_valid_check_digits_and_belong_to_nobody(demo_on: DemoOn) -> None:
    """Worked examples: the NPI check digit by the CMS note (1234567893), the GTIN by GS1's page
    (6291041500213); both from memory.
    """
    assert npi_of("123456789") == "1234567893"
    demo_on(USUAL)
    for order in Order.objects.all():
        assert re.fullmatch(r"29\d{8}", order.prescriber_npi)
        assert npi_of(order.prescriber_npi[:-1]) == order.prescriber_npi
    assert read_hibc("+A999CHAMBER21M").number == CatalogueItem.objects.get(gtin="").hibc
    for item in CatalogueItem.objects.exclude(gtin=""):
        assert re.fullmatch(r"0040\d{10}", item.gtin)
        assert _weighted(item.gtin) % 10 == 0
    assert _weighted("06291041500213") % 10 == 0
    assert gtin(7) != gtin(8)
    assert {item.magnetic for item in CatalogueItem.objects.all()} == {"yes", "no", "unknown"}


def _weighted(number: str) -> int:
    """GS1's sum over 14 digits, the check digit included: a multiple of 10 where it is right."""
    return sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(number))


def test_consent_and_addresses_differ(demo_on: DemoOn) -> None:
    demo_on(USUAL)
    reachable = 0
    unreachable = set()
    for patient in Patient.objects.prefetch_related("consents"):
        mail = [one for one in patient.consents.order_by("id") if one.channel == "mail"]
        if patient.email and mail and mail[-1].granted:
            reachable += 1
        else:
            unreachable.add("no address" if not patient.email else "no" if mail else "never asked")
    assert reachable >= 40
    assert unreachable == {"no address", "no", "never asked"}
