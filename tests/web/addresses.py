"""Every view of the site by name, and one address of each, from the resolver: none is forgotten."""

from collections.abc import Iterator, Mapping, Sequence

from django.urls import URLPattern, URLResolver, get_resolver, reverse

from clinic.accounts import letters, people
from clinic.accounts.models import User
from resupply import clock
from resupply.models import (
    BadAddress,
    BulkAct,
    CatalogueItem,
    Dispense,
    Event,
    FollowUpPlanVersion,
    ImportBatch,
    Integration,
    Job,
    MatchingVersion,
    Patient,
    Payer,
    Recall,
    SavedView,
    Staff,
    TextReview,
    Upload,
)
from resupply.services import optouts
from resupply.services.feeds import Issued
from tests.builders import (
    NOW,
    TODAY,
    make_answer,
    make_back_order,
    make_batch,
    make_closed_day,
    make_contact,
    make_device,
    make_emergency,
    make_fitting,
    make_follow_up,
    make_follow_up_plan,
    make_inbound_text,
    make_integration,
    make_item,
    make_job,
    make_life,
    make_match,
    make_matching_version,
    make_movement,
    make_nights,
    make_order,
    make_own_page,
    make_packet,
    make_payer,
    make_policy_draft,
    make_proof,
    make_question,
    make_recall,
    make_recall_contact,
    make_report,
    make_text_review,
    make_upload,
    make_user,
)

IMPORTS = {
    *("desk:imports", "desk:import_new", "desk:import_columns", "desk:import_template"),
    *("desk:import_upload", "desk:import_failed", "desk:import_mend", "desk:import_accept"),
    *("desk:import_again", "desk:import_drop", "desk:import_undo"),
}
BOOK = {"desk:book", "desk:book_csv", "desk:book_print"}
OF_A_DISPENSE = {
    *("desk:slip", "desk:slip_pdf", "desk:sign", "desk:dispense_void", "desk:dispense_undo", "desk:parcel"),
}
OF_A_PACKET = {"manager:packet", "manager:packet_check", "manager:packet_pdf", "manager:packet_json"}
OF_A_REACH = {
    *("manager:recall_reach", "manager:recall_reach_print", "manager:recall_reach_csv"),
    *("manager:notice_open", "manager:notice_close", "manager:notice_again"),
}
OF_A_DRAFT = {"manager:policy_draft", "manager:policy_edit", "manager:policy_csv"}
OF_A_LOCATION = {"manager:location", "manager:location_edit", "manager:location_close"}
OF_A_PAYER = {"manager:payer_edit", "manager:payer_published"}
OF_A_LINE = {"desk:line_void", "desk:line_undo", "desk:line_exchange"}
CLINIC = {
    *("therapist:texts", "therapist:text_void", "therapist:matching", "therapist:matching_new"),
    *("therapist:plans", "therapist:plan_new", "therapist:plan_void", "therapist:payer_window"),
    *("therapist:matching_version", "therapist:matching_void"),
}
"""Pages of the therapist's room that are about the clinic, not about a patient."""
NO_SUBJECT = (
    {"desk:find", "desk:mail", "desk:texts", "desk:undelivered", "desk:patient_new", "therapist:work"}
    | {"desk:emergency", "desk:emergency_end"}
    | CLINIC
    | BOOK
    | IMPORTS
)
"""Views of the desk that are about nobody; the others, and the therapist's, are about a patient."""


def views(patterns: Sequence[URLPattern | URLResolver] | None = None, space: str = "") -> Iterator[str]:
    """The names of all views, with their namespaces."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(pattern, URLResolver):
            inner = f"{space}{pattern.namespace}:" if pattern.namespace else space
            yield from views(pattern.url_patterns, inner)
        else:
            assert pattern.name, f"{pattern} has no name"
            yield f"{space}{pattern.name}"


def _job() -> Job:
    """A job that the manager asked for."""
    by = _manager()
    return Job.objects.filter(asked_by=by).first() or make_job(by)


def _act() -> BulkAct:
    """An act on overdue lines by the manager."""
    values = {"act": "note", "acted_at": NOW, "note": "collects the parts on Friday", "lines_done": 1}
    return BulkAct.objects.create(acted_by=_manager(), **values)


def _view() -> SavedView:
    """A view that the manager saved."""
    by = _manager()
    mine = SavedView.objects.filter(user=by, removed_at=None)
    return mine.first() or SavedView.objects.create(
        user=by, name="Long overdue", query="least=91", saved_at=NOW
    )


def _manager() -> User:
    manager = Staff.objects.filter(role="manager").order_by("pk").first()
    return manager.user if manager else make_user()


def _integration() -> Integration:
    """A program that may read records."""
    return Integration.objects.first() or make_integration()


def _bad_address(patient: Patient) -> BadAddress:
    """An address of a patient at which a message failed."""
    message = patient.messages.latest("pk")
    return BadAddress.objects.get_or_create(
        patient=patient, channel="mail", address="gone@patients.example",
        defaults={"since": NOW, "message": message},
    )[0]  # fmt: skip


def _of_people() -> dict[str, list[object]]:
    """About the manager, and an invitation that the manager sent."""
    by = _manager()
    made, token = people.invite("Ilse Varga", "ilse@clinic.example", "desk", [], by=by, now=clock.now())
    staff = Staff.objects.filter(user=by).values_list("pk", flat=True).first() or 0
    return {
        "people_withdraw": [made.public_id],
        "people_change": [staff],
        "people_act": [staff, "end"],
        "join": [token],
        "new_password": [_lost_by(by)],
    }


def _lost_by(user: User) -> str:
    """The token of a link for a new password."""
    letter = letters.ask_link(user, address="192.0.2.7", now=clock.now())
    letter.token_hash = letters.hash_of(token := "a-link-for-a-new-password-of-a-manager")
    letter.save(update_fields=["token_hash"])
    return token


def addresses_of(patient: Patient, *, dispense: Dispense, event: Event, calendar: Issued) -> dict[str, str]:
    """One address of every view, about a patient with a cushion line and these records."""
    item = CatalogueItem.objects.order_by("pk").first() or make_item()
    packet = make_packet(dispense)
    recall = Recall.objects.order_by("pk").first() or make_recall(item=item)
    upload = Upload.objects.order_by("pk").first() or make_upload()
    batch = ImportBatch.objects.order_by("pk").first() or make_batch()
    table = MatchingVersion.objects.first() or make_matching_version()
    ended, link = make_own_page(patient), make_own_page(patient)  # the second ends the first
    question_token = make_question(patient)
    question = patient.refill_questions.latest("pk")
    subject: Mapping[str, Sequence[object]] = {
        **{name: [upload.public_id] for name in IMPORTS},
        **dict.fromkeys(("desk:imports", "desk:import_new", "desk:import_columns"), ()),
        "desk:import_template": ["patients.csv"],
        "desk:import_failed": [upload.public_id, "dispenses"],
        "desk:import_undo": [batch.public_id],
        "desk:why": [patient.public_id, "cushion"],
        "desk:why_value": [patient.public_id, "cushion", "worn_on"],
        **{name: [dispense.public_id] for name in OF_A_DISPENSE},
        **{name: [dispense.public_id, 0] for name in OF_A_LINE},
        "desk:proof_void": [(dispense.proofs.first() or make_proof(dispense)).public_id],
        "desk:event_void": [event.public_id],
        "desk:pause_end": [event.public_id],
        "desk:calendar_change": [calendar.subscription.public_id],
        "desk:calendar_renew": [calendar.subscription.public_id],
        "desk:calendar_revoke": [calendar.subscription.public_id],
        "desk:answer_handled": [(patient.refill_answers.first() or make_answer(patient)).public_id],
        "desk:answer_void": [(patient.refill_answers.first() or make_answer(patient)).public_id],
        "desk:contact_void": [(patient.contacts.first() or make_contact(patient)).public_id],
        "desk:emergency_end": [(opened := make_emergency(patient, by=_manager())).public_id],
        "manager:emergency": [opened.public_id],
        "manager:overdue_undo": [_act().public_id],
        "manager:view_remove": [_view().public_id],
        "sign_in_end": [patient.public_id],  # nobody's
        "factor_remove": [0],
        **_of_people(),
        **{name: [_job().public_id] for name in ("job", "job_file", "job_again", "job_drop")},
        "worklist": ["calls"],
        "worklist_print": ["calls"],
        "worklist_csv": ["calls"],
        **{
            name: [(patient.fittings.first() or make_fitting(patient)).public_id]
            for name in ("therapist:fitting", "therapist:fitting_end", "therapist:fitting_void")
        },
        "therapist:follow_up_void": [(patient.follow_ups.first() or make_follow_up(patient)).public_id],
        "therapist:own_life_void": [patient.public_id, make_life(patient=patient, reason="worn early").pk],
        "therapist:nights_void": [
            (patient.night_imports.first() or make_nights(patient, first=TODAY, minutes=[400])).public_id
        ],
        "therapist:text_void": [(TextReview.objects.first() or make_text_review()).pk],
        "therapist:matching_version": [table.public_id],
        "therapist:matching_void": [table.public_id],
        "therapist:plan_void": [(FollowUpPlanVersion.objects.first() or make_follow_up_plan()).pk],
        "therapist:payer_window": [(Payer.objects.first() or make_payer()).pk],
        "therapist:match_void": [(patient.matches.first() or make_match(patient)).public_id],
        "therapist:screen_void": [patient.magnet_screens.earliest("pk").public_id],
        "desk:order_void": [(patient.orders.first() or make_order(patient)).public_id],
        "desk:device_void": [(patient.devices.first() or make_device(patient)).public_id],
        "manager:item": [item.public_id],
        "manager:item_edit": [item.public_id],
        "manager:packet_new": [dispense.public_id],
        "manager:disclosures": [patient.public_id],
        "manager:disclosures_csv": [patient.public_id],
        **{name: [packet.public_id] for name in OF_A_PACKET},
        "manager:policy_new": ["allowance"],
        "manager:policy_void": ["life", make_life().pk],
        **{name: [make_policy_draft().public_id] for name in OF_A_DRAFT},
        "manager:recall": [recall.public_id],
        "manager:recall_void": [recall.public_id],
        **{name: [recall.public_id] for name in OF_A_REACH},
        "manager:recall_contact": [recall.public_id, patient.public_id],
        "manager:recall_contact_void": [make_recall_contact(recall, patient).public_id],
        "manager:sharing_program": [_integration().public_id],
        "manager:sharing_end": [_integration().public_id],
        **{name: ["Patient"] for name in ("fhir:search", "fhir:search_by_post")},
        "fhir:read": ["Patient", patient.public_id],
        "fhir:nothing": ["a/b/c"],
        "manager:weekdays": [patient.location_id],
        **{name: [patient.location_id] for name in OF_A_LOCATION},
        **{name: [(Payer.objects.first() or make_payer()).pk] for name in OF_A_PAYER},
        **{name: ["payers"] for name in ("manager:step_aside", "manager:step_up")},
        "manager:open_again": [
            (patient.location.closed_days.first() or make_closed_day(patient.location)).public_id
        ],
        "stock:ledger": [item.public_id],
        "stock:movement_void": [make_movement(item, patient.location).public_id],
        "stock:back_order_new": [patient.public_id],
        "stock:back_order": [(patient.back_orders.first() or make_back_order(patient)).public_id],
        "stock:back_order_void": [(patient.back_orders.first() or make_back_order(patient)).public_id],
        "feed:calendar": [calendar.token],
        "ask:question": [question_token],
        "stop": list(optouts.make_links([patient.messages.latest("pk").pk], now=NOW).values()),
        **{
            name: [patient.messages.latest("pk").public_id]
            for name in ("desk:message_handled", "desk:message_resend")
        },
        "desk:address_confirm": [patient.public_id, _bad_address(patient).pk],
        "desk:question_again": [question.public_id],
        "desk:question_withdraw": [question.public_id],
        "desk:link_renew": [ended.link.public_id],
        "desk:link_revoke": [ended.link.public_id],
        "desk:text_handled": [(patient.inbound_texts.first() or make_inbound_text(patient)).public_id],
        "desk:report_handled": [(patient.reports.first() or make_report(patient)).public_id],
        **{name: [link.token] for name in views() if name.startswith("me:")},
        "me:calendar_change": [link.token, calendar.subscription.public_id],
        "desk:own_part": [patient.public_id, "calendar/"],
        "me:report": [link.token, "leak"],
        "me:help_topic": [link.token, "clean"],
        "help:topic": ["dispense"],
        "help:sign_in": ["sign-in"],
        "me:undo": [link.token, "again"],
        "me:told": [link.token, (patient.reports.first() or make_report(patient)).public_id],
        "me:changed_done": [link.token, event.public_id],
    }
    found = {}
    for name in views():
        about_patient = name.startswith(("desk:", "therapist:")) and name not in NO_SUBJECT
        found[name] = reverse(name, args=subject.get(name, [patient.public_id] if about_patient else []))
    return found
