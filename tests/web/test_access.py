"""Who may open which address: every URL of the resolver, as everyone, against a table written by hand.

A view that is not in the table fails, and so does a line of the table without a view.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from types import ModuleType
from typing import Any

import pytest
from django.db import transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import include, path, reverse

from resupply.models import Patient
from resupply.services import feeds, plans
from resupply.web.access import OPEN_VIEWS, WHO_MAY
from tests.builders import NOW, make_dispense, make_event
from tests.cast import Cast, make_cast
from tests.web.addresses import NO_SUBJECT, addresses_of, views

ROLES = ("desk", "therapist", "manager", "administrator")
CARE = set(ROLES)
LEAD = {"manager", "administrator"}
THERAPY = {"therapist", "administrator"}
ANYONE = {*ROLES, "outsider", "signed out"}

# Name of the view -> who may open it. Sign-in opens for all; a password needs an account, of any role.
TABLE: dict[str, set[str]] = {
    "gallery": ANYONE,
    "login": ANYONE,
    "logout": ANYONE,
    "password_change": ANYONE - {"signed out"},
    "password_change_done": ANYONE - {"signed out"},
    "second_step": ANYONE,
    "passkey_ask": ANYONE,
    "prove": ANYONE - {"signed out"},
    "kept_form": ANYONE - {"signed out"},
    "stay": ANYONE - {"signed out"},
    "your_sign_in": ANYONE - {"signed out"},
    "second_app": ANYONE - {"signed out"},
    "passkey_add": ANYONE - {"signed out"},
    "passkey_begin": ANYONE - {"signed out"},
    "factor_remove": ANYONE - {"signed out"},
    "recovery_codes": ANYONE - {"signed out"},
    "sign_in_end": ANYONE - {"signed out"},
    "sign_ins_end": ANYONE - {"signed out"},
    "join": ANYONE,
    "lost_password": ANYONE,
    "new_password": ANYONE,
    "own_address": ANYONE - {"signed out"},
    "people": {"administrator"},
    "people_invite": {"administrator"},
    "people_withdraw": {"administrator"},
    "people_change": {"administrator"},
    "people_act": {"administrator"},
    "home": CARE,
    "help:contents": CARE,
    "help:words": CARE,
    "help:topic": CARE,
    "help:sign_in": ANYONE,
    "worklist": CARE,
    "worklist_print": CARE,
    "worklist_csv": LEAD,
    "jobs": CARE,
    "job": {"manager"},  # only who asked
    "job_file": {"manager"},
    "job_again": {"manager"},
    "job_drop": {"manager"},
    # Programs only, each with a token, and switched off unless wanted: tests/web/fhir walks them switched on.
    "fhir:metadata": set(),
    "fhir:search": set(),
    "fhir:search_by_post": set(),
    "fhir:read": set(),
    "fhir:root": set(),
    "fhir:nothing": set(),
    "manager:rooms": LEAD,
    "manager:first_steps": LEAD,
    "manager:step_aside": LEAD,
    "manager:step_up": LEAD,
    "manager:steps_away": LEAD,
    "manager:locations": LEAD,
    "manager:location": LEAD,
    "manager:location_new": {"administrator"},
    "manager:location_edit": {"administrator"},
    "manager:location_close": {"administrator"},
    "manager:payers": LEAD,
    "manager:payer_new": LEAD,
    "manager:payer_edit": LEAD,
    "manager:payer_published": LEAD,
    "manager:mail": {"administrator"},
    "manager:sharing": LEAD,
    "manager:status": {"administrator"},
    "manager:sharing_program": LEAD,
    "manager:sharing_new": {"administrator"},
    "manager:sharing_end": {"administrator"},
    "desk:find": CARE,
    "desk:mail": CARE,
    "desk:emergency": CARE,
    "desk:emergency_end": {"manager"},  # only whose it is
    "desk:undelivered": CARE,
    "desk:message_handled": CARE,
    "desk:message_resend": CARE,
    "desk:stop_messages": CARE,
    "desk:address_confirm": CARE,
    "desk:texts": CARE,
    "desk:text_handled": CARE,
    "desk:patient_new": CARE,
    "desk:patient": CARE,
    "desk:why": CARE,
    "desk:why_value": CARE,
    "desk:history": CARE,
    "desk:messages": CARE,
    "desk:deliveries": CARE,
    "desk:dispense": CARE,
    "desk:answer": CARE,
    "desk:answer_handled": CARE,
    "desk:answer_void": CARE,
    "desk:question_again": CARE,
    "desk:question_withdraw": CARE,
    "desk:contact": CARE,
    "desk:contact_void": CARE,
    "desk:swap": CARE,
    "desk:loss": CARE,
    "desk:pause": CARE,
    "desk:refit": CARE,
    "desk:edit": CARE,
    "desk:status": CARE,
    "desk:coverage": CARE,
    "desk:consent": CARE,
    "desk:calendar": CARE,
    "desk:calendar_change": CARE,
    "desk:calendar_renew": CARE,
    "desk:calendar_revoke": CARE,
    "desk:equipment": CARE,
    "desk:order_new": CARE,
    "desk:order_void": CARE,
    "desk:device_new": CARE,
    "desk:device_void": CARE,
    "desk:book": CARE,
    "desk:book_csv": LEAD,
    "desk:book_print": CARE,
    "desk:slip": CARE,
    "desk:slip_pdf": CARE,
    "desk:sign": CARE,
    "desk:proof_void": CARE,
    "desk:dispense_void": CARE,
    "desk:dispense_undo": CARE,
    "desk:parcel": CARE,
    "desk:line_undo": CARE,
    "desk:line_exchange": CARE,
    "desk:line_void": CARE,
    "desk:event_void": CARE,
    "desk:pause_end": CARE,
    "desk:link": CARE,
    "desk:link_renew": CARE,
    "desk:link_revoke": CARE,
    "desk:own_page": CARE,
    "desk:own_part": CARE,
    "desk:report_handled": CARE,
    "therapist:work": THERAPY,
    "therapist:follow_up": THERAPY,
    "therapist:follow_up_void": THERAPY,
    "therapist:own_lives": CARE,
    "therapist:own_life_new": THERAPY,
    "therapist:own_life_void": THERAPY,
    "therapist:nights": THERAPY,
    "therapist:nights_void": THERAPY,
    "therapist:care_sheet": CARE,
    "therapist:care_sheet_pdf": CARE,
    "therapist:texts": THERAPY | LEAD,
    "therapist:text_void": THERAPY | LEAD,
    "therapist:plans": THERAPY | LEAD,
    "therapist:plan_new": THERAPY | LEAD,
    "therapist:plan_void": THERAPY | LEAD,
    "therapist:payer_window": THERAPY | LEAD,
    "therapist:matching": THERAPY | LEAD,
    "therapist:matching_new": THERAPY | LEAD,
    "therapist:matching_version": THERAPY | LEAD,
    "therapist:matching_void": THERAPY | LEAD,
    "therapist:fittings": CARE,
    "therapist:fitting": THERAPY,
    "therapist:fitting_begin": THERAPY,
    "therapist:fitting_end": THERAPY,
    "therapist:fitting_void": THERAPY,
    "therapist:match": THERAPY,
    "therapist:match_void": THERAPY,
    "therapist:magnets": CARE,
    "therapist:screen": CARE,
    "therapist:screen_void": CARE,
    "manager:catalogue": CARE,
    "manager:catalogue_csv": CARE,
    "manager:catalogue_print": CARE,
    "manager:families": CARE,
    "manager:item": CARE,
    "manager:item_new": CARE - {"desk"},
    "manager:item_edit": CARE - {"desk"},
    "manager:packets": THERAPY | LEAD,
    "manager:packet_find": LEAD,
    "manager:packet_new": LEAD,
    "manager:packet": THERAPY | LEAD,
    "manager:packet_check": THERAPY | LEAD,
    "manager:packet_pdf": THERAPY | LEAD,
    "manager:packet_json": THERAPY | LEAD,
    "manager:recalls": CARE,
    "manager:recall": CARE,
    "manager:recall_new": LEAD,
    "manager:recall_void": LEAD,
    "manager:recall_reach": CARE,
    "manager:recall_reach_print": CARE,
    "manager:recall_reach_csv": LEAD,
    "manager:notice_open": LEAD,
    "manager:notice_close": LEAD,
    "manager:notice_again": LEAD,
    "manager:recall_contact": CARE,
    "manager:recall_contact_void": CARE,
    "manager:message_terms": LEAD,
    "manager:policy": LEAD,
    "manager:policy_new": LEAD,
    "manager:policy_edit": LEAD,
    "manager:policy_void": LEAD,
    "manager:policy_draft": LEAD,
    "manager:policy_csv": LEAD,
    "manager:open_days": LEAD,
    "manager:outlook": LEAD,
    "manager:outlook_csv": LEAD,
    "manager:outlook_anew": LEAD,
    "manager:weekdays": LEAD,
    "manager:day_off": LEAD,
    "manager:open_again": LEAD,
    "desk:imports": LEAD,
    "desk:import_new": LEAD,
    "desk:import_columns": LEAD,
    "desk:import_template": LEAD,
    "desk:import_upload": LEAD,
    "desk:import_failed": LEAD,
    "desk:import_mend": LEAD,
    "desk:import_accept": LEAD,
    "desk:import_again": LEAD,
    "desk:import_drop": LEAD,
    "desk:import_undo": LEAD,
    "manager:overdue": LEAD,
    "manager:overdue_csv": LEAD,
    "manager:overdue_print": LEAD,
    "manager:overdue_xlsx": LEAD,
    "manager:overdue_ages": LEAD,
    "manager:overdue_mine": CARE,
    "manager:overdue_past": LEAD,
    "manager:overdue_act": LEAD,
    "manager:overdue_done": LEAD,
    "manager:overdue_undo": {"manager"},  # only who did it
    "manager:missing": LEAD,
    "manager:emergencies": LEAD,
    "manager:emergency": LEAD,
    "manager:history": LEAD,
    "manager:history_csv": LEAD,
    "manager:history_xlsx": LEAD,
    "manager:disclosures": LEAD,
    "manager:disclosures_csv": LEAD,
    "manager:measures": LEAD,
    "manager:measures_csv": LEAD,
    "manager:measures_past": LEAD,
    "manager:missing_csv": LEAD,
    "manager:view_save": LEAD,
    "manager:view_remove": {"manager"},  # only whose it is
    "stock:shelves": CARE,
    "stock:csv": CARE,
    "stock:receive": CARE,
    "stock:move": CARE,
    "stock:discard": CARE,
    "stock:count": CARE,
    "stock:to_order": CARE,
    "stock:settings": LEAD,
    "stock:ledger": CARE,
    "stock:movement_void": CARE,
    "stock:back_orders": CARE,
    "stock:back_order": CARE,
    "stock:back_order_void": CARE,
    "stock:back_order_new": CARE,
    "feed:calendar": ANYONE,  # its address is the secret
    "ask:question": ANYONE,  # and this
    "text_inbound": ANYONE,  # a gateway signs what it sends
    "text_delivery": ANYONE,
    "stop": ANYONE,  # and this: the way out of a mail
    "me:page": ANYONE,  # so is this; it asks for the date of birth, and the others lead to it
    "me:help": ANYONE,
    "me:help_topic": ANYONE,
    "me:tick": ANYONE,
    "me:month": ANYONE,
    "me:language": ANYONE,
    "me:calendar": ANYONE,
    "me:calendar_change": ANYONE,
    "me:question": ANYONE,
    "me:choices": ANYONE,
    "me:days": ANYONE,
    "me:pause": ANYONE,
    "me:again": ANYONE,
    "me:changed": ANYONE,
    "me:changed_done": ANYONE,
    "me:implant": ANYONE,
    "me:implant_done": ANYONE,
    "me:report": ANYONE,
    "me:told": ANYONE,
    "me:undo": ANYONE,
}

# Views that only show; the other views of the desk answer a POST.
SHOWN = {"desk:mail", "desk:undelivered", "desk:texts", "desk:patient", "desk:why", "desk:why_value"}
SHOWN |= {"desk:history", "desk:messages"}
SHOWN |= {"desk:deliveries", "desk:equipment", "therapist:magnets", "desk:own_page", "desk:own_part"}
SHOWN |= {"therapist:own_lives"}
SHOWN |= {"desk:book", "desk:book_csv", "desk:book_print", "desk:slip", "desk:slip_pdf"}
SHOWN |= {
    "desk:imports",
    "desk:import_columns",
    "desk:import_template",
    "desk:import_upload",
    "desk:import_failed",
    "therapist:work",
    "therapist:fittings",
    "therapist:care_sheet",
    "therapist:care_sheet_pdf",
    "therapist:matching",
    "therapist:matching_version",
    "therapist:plans",
}
WRITES = {name for name in TABLE if name.startswith(("desk:", "therapist:"))} - SHOWN
BEHIND_THE_DOOR = {name for name in TABLE if name.startswith("me:")} - {"me:page", "me:help", "me:help_topic"}
"""Pages of a patient that a device without the date of birth is led away from, whatever it sends."""
WRITES |= {"ask:question", "stop", "me:page", "me:help", "help:contents"} | BEHIND_THE_DOOR
WRITES |= {"job_again", "job_drop", "manager:overdue_past", "manager:overdue_act"}
WRITES |= {"manager:overdue_undo", "manager:view_save", "manager:view_remove", "manager:measures_past"}
WRITES |= {"manager:item_new", "manager:item_edit", "manager:recall_new", "manager:recall_void"}
WRITES |= {"manager:packet_find", "manager:packet_new"}
OF_A_CONTACT = {"manager:recall_contact", "manager:recall_contact_void"}
WRITES |= {"manager:notice_open", "manager:notice_close", "manager:notice_again"} | OF_A_CONTACT
OF_A_PACKET = {"manager:packet", "manager:packet_check", "manager:packet_pdf", "manager:packet_json"}
WRITES |= {"manager:emergency", "people_invite", "people_withdraw", "people_change", "people_act"}
WRITES |= {"manager:sharing_new", "manager:sharing_end"}
WRITES |= {"manager:policy_new", "manager:policy_edit", "manager:policy_void", "manager:policy_draft"}
WRITES |= {"manager:location_new", "manager:location_edit", "manager:location_close", "manager:mail"}
WRITES |= {"manager:payer_new", "manager:payer_edit", "manager:payer_published"}
FOR_PROGRAMS = {name for name in TABLE if name.startswith("fhir:")}
WRITES |= {"manager:weekdays", "manager:day_off", "manager:open_again", "manager:outlook_anew"}
STOCK_SHOWN = {"stock:shelves", "stock:csv", "stock:to_order", "stock:ledger", "stock:back_orders"}
WRITES |= {name for name in TABLE if name.startswith("stock:")} - STOCK_SHOWN
DRAFTED = {
    *("therapist:plan_new", "therapist:plan_void", "therapist:matching_new", "therapist:matching_void"),
}
"""They lead to the draft of the policy workbench whoever may change policy."""
OF_SIGN_IN = {"second_step", "passkey_ask", "kept_form", "stay", "passkey_begin", "factor_remove"}
OF_SIGN_IN |= {"people_invite", "people_withdraw", "people_act"}  # 403 for others
OF_SIGN_IN |= {"recovery_codes", "sign_in_end", "sign_ins_end"}
OF_SIGN_IN |= {"manager:step_aside", "manager:step_up", "manager:steps_away"}  # test_first_steps.py
"""They take a POST only, or lead away where nothing waits (tests/web/test_your_sign_in.py)."""
OF_A_GATEWAY = {"text_inbound", "text_delivery"}
"""They take a signed POST only, as tests/web/test_gateway.py sends it."""
ABOUT_A_PATIENT = {name for name in TABLE if name.startswith(("desk:", "therapist:"))} - NO_SUBJECT
ABOUT_A_PATIENT |= OF_A_PACKET | OF_A_CONTACT
ABOUT_A_PATIENT |= {name for name in TABLE if name.startswith("stock:back_order_")} | {"stock:back_order"}


BEFORE_THE_GATE = {name for name, who in TABLE.items() if "outsider" in who} | FOR_PROGRAMS
"""Sign-in, and addresses that are secrets in themselves: no role decides about them."""
TAKES_A_FORM = WRITES | {name for name in TABLE if name.startswith("manager:")}


@dataclass(frozen=True, slots=True)
class Stage:
    """The cast, and one address of every view, about a patient of the North room."""

    cast: Cast
    by_view: dict[str, str]
    patient: Patient


@pytest.fixture(scope="module")
def written(django_db_setup: None, django_db_blocker: Any) -> Iterator[Stage]:
    """Written once for all tests of this file, in a transaction that is rolled back after the last."""
    with django_db_blocker.unblock(), transaction.atomic():
        cast = make_cast()
        person = cast.odalys
        person.reference = "ref-1047-odalys"  # no key and no random id of an address holds it by chance
        person.save(update_fields=["reference"])
        dispense = make_dispense(person, on=date(2026, 1, 1))
        event = make_event(person, "pause")
        plans.refresh_plans([person.pk], now=NOW)
        calendar = feeds.subscribe(person, feeds.Options(), by=None, now=NOW)
        found = addresses_of(person, dispense=dispense, event=event, calendar=calendar)
        yield Stage(cast, found, person)
        transaction.set_rollback(True)


@pytest.fixture
def addresses(written: Stage) -> Iterator[Stage]:
    """What was written; what a test does to it is rolled back after the test.

    Not the fixture `db`: it closes the connection after each test, and with it the transaction of `written`.
    """
    with transaction.atomic():
        yield written
        transaction.set_rollback(True)


@pytest.fixture
def cast(addresses: Stage) -> Cast:
    """The cast of the stage."""
    return addresses.cast


def sign_in(cast: Cast, who: str) -> Client:
    client = Client()
    if who != "signed out":
        client.force_login(cast.user(who))
    return client


METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "OPTIONS")  # TRACE is refused before anybody is known
EVERY_METHOD = {"signed out", "outsider"}
"""They are tried with every method at every address; a wrong role with those that a browser sends."""


def _is_fit(name: str, who: str) -> bool:
    """Whether a page shows itself to a role: rules of the clinic lead who may change policy to its drafts."""
    return not (name in DRAFTED and who in LEAD)


def _turned_away(name: str, who: str) -> int:
    """What is one's own is not found by colleagues of the role; everything else is closed to a role."""
    own = {"job": CARE, "job_file": CARE, "job_again": CARE, "job_drop": CARE}
    own |= {"desk:emergency_end": CARE, "manager:overdue_undo": LEAD, "manager:view_remove": LEAD}
    return 404 if who in own.get(name, ()) else 403


def test_the_table_names_every_view_and_no_other() -> None:
    assert sorted(views()) == sorted(TABLE)


def test_every_view_names_a_permission_or_is_open_by_name() -> None:
    open_by_table = {name for name, who in TABLE.items() if "outsider" in who}
    assert open_by_table <= OPEN_VIEWS
    for permission, roles in WHO_MAY.items():
        assert roles, permission


@pytest.mark.parametrize("who", sorted(ANYONE))
def test_who_may_open_what(cast: Cast, addresses: Stage, who: str) -> None:
    """Asked with a method that no view takes: who may is told so (405), who may not is turned away first.

    So no body of a view is run to find out whether its gate is open; `test_every_page_opens` runs it. Who
    is turned away is turned away whatever the method.
    """
    client = sign_in(cast, who)
    wrong = {}
    for name, address in addresses.by_view.items():
        if name in BEFORE_THE_GATE:
            continue
        may_open, own = who in TABLE[name], _turned_away(name, who) == 404
        refused = 302 if who == "signed out" else 403
        right = {405} if may_open or own else {refused}
        statuses = {client.delete(address).status_code}
        if own and not may_open:
            statuses, right = {client.get(address).status_code}, {404}
        elif not may_open:
            methods = METHODS if who in EVERY_METHOD else ("GET", "POST")
            statuses |= {client.generic(method, address).status_code for method in methods}
        if statuses != right:
            wrong[name] = statuses
    assert wrong == {}


def test_every_page_opens_and_takes_an_empty_form(cast: Cast, addresses: Stage) -> None:
    """Each by the first role that may: the page is there, and an empty form is told what is missing."""
    clients = {who: sign_in(cast, who) for who in (*ROLES, "signed out")}
    by_whom = {}
    for name in addresses.by_view.keys() - {"logout"} - OF_A_GATEWAY - FOR_PROGRAMS - OF_SIGN_IN:
        order = ("signed out", *ROLES) if "outsider" in TABLE[name] else ROLES
        by_whom[name] = clients[next(who for who in order if who in TABLE[name] and _is_fit(name, who))]
    shown = {name: by.get(addresses.by_view[name]).status_code for name, by in sorted(by_whom.items())}
    away = {name: status for name, status in shown.items() if status == 302}
    assert away.keys() == BEHIND_THE_DOOR
    assert {name: status for name, status in shown.items() if status not in (200, 302)} == {}
    told = {
        name: by_whom[name].post(addresses.by_view[name]).status_code
        for name in sorted(WRITES & by_whom.keys())
    }
    assert {name: status for name, status in told.items() if status not in (200, 302, 422)} == {}


def test_methods_that_a_view_does_not_take(cast: Cast, addresses: Stage) -> None:
    """405, and the answer says which it takes: GET (and HEAD), and POST only where something is written."""
    client = sign_in(cast, "administrator")
    wrong: dict[str, object] = {}
    for name, address in addresses.by_view.items():
        if name in BEFORE_THE_GATE or "administrator" not in TABLE[name]:
            continue
        answer = client.generic("OPTIONS", address)
        taken = set(answer.get("Allow", "").replace(" ", "").split(",")) - {"HEAD"}
        expected = {"GET", "POST"} if name in TAKES_A_FORM else {"GET"}
        statuses = {client.generic(method, address).status_code for method in ("PUT", "TRACE")}
        if {answer.status_code, *statuses} != {405} or not taken <= expected or not taken:
            wrong[name] = (answer.status_code, statuses, taken)
        if "POST" not in taken and client.post(address).status_code != 405:
            wrong[name] = "takes a POST"
    assert wrong == {}


def test_secret_addresses_take_no_other_method(addresses: Stage) -> None:
    """Whoever holds them: a method they do not take changes nothing and shows nothing."""
    client = Client()
    own = ("me:page", "me:help", "me:help_topic")
    for name in (*OF_A_GATEWAY, "feed:calendar", "ask:question", "stop", *own):
        for method in ("PUT", "PATCH", "DELETE", "TRACE", "OPTIONS"):
            answer = client.generic(method, addresses.by_view[name])
            assert (answer.status_code, b"Odalys" in answer.content) == (405, False), (name, method)
    for name in BEHIND_THE_DOOR:
        for method in ("GET", "POST", "DELETE", "OPTIONS"):
            assert client.generic(method, addresses.by_view[name]).status_code == 302, (name, method)
    for name in FOR_PROGRAMS:
        for method in ("GET", "POST", "DELETE", "OPTIONS"):
            assert client.generic(method, addresses.by_view[name]).status_code == 404, (name, method)


def test_the_desk_of_another_room_finds_nothing(cast: Cast, addresses: Stage) -> None:
    """Ines works in the North room, and here the therapist does too; the patient moves to the South room."""
    Patient.objects.filter(pk=addresses.patient.pk).update(location=cast.south)
    cast.therapist.locations.set([cast.north])
    desk, therapist = sign_in(cast, "desk"), sign_in(cast, "therapist")
    for name in sorted(ABOUT_A_PATIENT):
        address = addresses.by_view[name]
        client = desk if "desk" in TABLE[name] else therapist
        assert client.get(address).status_code == 404, name
        if name in WRITES:
            assert client.post(address).status_code == 404, name
    assert b"Odalys" not in desk.post(reverse("desk:find"), {"q": "Brandt"}).content


def test_signed_out_comes_back_after_signing_in(addresses: Stage, client: Client) -> None:
    address = addresses.by_view["desk:patient"]
    answer = client.get(address)
    assert (answer.status_code, answer["Location"]) == (302, f"{reverse('login')}?next={address}")


def test_a_part_of_a_page_sends_the_whole_page_to_sign_in(client: Client, addresses: Stage) -> None:
    answer = client.post(reverse("desk:find"), {"q": "x"}, headers={"HX-Request": "true"})
    assert answer["HX-Redirect"] == reverse("login")


def test_a_switched_off_account_opens_nothing(cast: Cast, client: Client) -> None:
    client.force_login(cast.desk.user)
    assert client.get(reverse("home")).status_code == 200
    cast.desk.user.is_active = False
    cast.desk.user.save()
    assert client.get(reverse("home")).status_code == 302


def test_a_view_that_names_nobody_is_closed(cast: Cast, client: Client, settings: Any) -> None:
    forgotten = path("forgotten/", lambda request: HttpResponse("seen"), name="forgotten")
    settings.ROOT_URLCONF = ModuleType("urls")
    settings.ROOT_URLCONF.urlpatterns = [forgotten, path("", include("clinic.urls"))]
    client.force_login(cast.administrator.user)
    assert client.get("/forgotten/").status_code == 403


def test_no_address_carries_a_name_or_a_birth_date(addresses: Stage) -> None:
    """A birth date written out is longer than what random ids agree with by chance; its year alone is not."""
    person = addresses.patient
    born = (f"{person.birth_date:{way}}" for way in ("%Y-%m-%d", "%Y%m%d", "%d%m%Y", "%m%d%Y"))
    secrets = [person.given_name, person.family_name, person.reference, *born]
    told = {
        (name, secret)
        for name, address in addresses.by_view.items()
        for secret in secrets
        if secret.lower() in address.lower()
    }
    assert told == set()
