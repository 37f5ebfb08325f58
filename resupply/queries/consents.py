"""Consents as the database sees them: the newest standing record that covers a channel and purpose.

`rules/consents.py` is the rule; a test compares both over records at random.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from django.db.models import BooleanField, Exists, ExpressionWrapper, OuterRef, Q, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from resupply.models import BadAddress, Channel, Consent, MessageWish, Patient
from resupply.rules.consents import Said, Way, choose
from resupply.rules.purposes import Purpose

ADDRESS = {Channel.MAIL.value: "email", Channel.TEXT.value: "phone"}
"""Where messages of a channel go: the patient's field."""


def newest_consent(channel: str, purpose: str, patient: str) -> Subquery:
    """The newest standing yes or no that covers both (null: none); `patient`: the outer column.

    `purpose` empty: what was said to every purpose.
    """
    covering = ["", purpose] if purpose else [""]
    rows = Consent.objects.filter(
        patient=OuterRef(patient), channel=channel, purpose__in=covering, voided_at=None
    )
    return Subquery(rows.order_by("-id").values("granted")[:1], output_field=BooleanField())


def may_write(patient_ids: Collection[int], channel: str, purpose: str) -> set[int]:
    """Of these patients, those with a standing yes to a channel and purpose. One query."""
    rows = Patient.objects.filter(pk__in=patient_ids).annotate(said=newest_consent(channel, purpose, "pk"))
    return set(rows.filter(said=True).values_list("pk", flat=True))


def said_by(patient_ids: Collection[int]) -> dict[int, list[Said]]:
    """Every standing record of these patients, oldest first. One query."""
    found: dict[int, list[Said]] = defaultdict(list)
    rows = Consent.objects.filter(patient__in=patient_ids, voided_at=None).order_by("id")
    for patient, channel, purpose, granted, on_paper in rows.values_list(
        "patient", "channel", "purpose", "granted", "on_paper"
    ):
        found[patient].append(Said(channel, purpose, granted, on_paper))
    return found


def is_bad(channel: str, address: str, patient: str) -> Exists:
    """Whether a carrier said that the address on record does not exist; columns of the outer query."""
    return Exists(
        bad_addresses().filter(patient=OuterRef(patient), channel=channel, address=OuterRef(address))
    )


def reach(purpose: str, channels: Collection[str], prefix: str = "patient__") -> Q:
    """Whether a message about a purpose can and may go to the outer row's patient, on any of these
    channels.
    """
    patient = prefix.removesuffix("__") or "pk"
    found = Q(pk__in=[])
    for channel in channels:
        field = f"{prefix}{ADDRESS[channel]}"
        said, bad = newest_consent(channel, purpose, patient), is_bad(channel, field, patient)
        found |= Q(~Q(**{field: ""}), Q(said), ~Q(bad))
    return found


def can_reach(purpose: str, channels: Collection[str]) -> Coalesce:
    """`reach` as a column, to be asked for what is not so: where nobody was asked, `reach` is null."""
    return Coalesce(ExpressionWrapper(reach(purpose, channels), output_field=BooleanField()), Value(False))


@dataclass(frozen=True, slots=True)
class Reach:
    """How one patient may be reached: channels with an address that holds, and what was said and wished."""

    said: list[Said]
    reachable: tuple[str, ...]
    preferred: str
    detailed: bool

    def way(self, purposes: Iterable[Purpose]) -> Way | None:
        """How one message carries what is due: `rules.consents.choose`."""
        return choose(purposes, self.said, reachable=self.reachable, preferred=self.preferred)


def reaches(patient_ids: Collection[int], channels: Collection[str]) -> dict[int, Reach]:
    """Every one of these patients. Four queries."""
    said = said_by(patient_ids)
    bad = set(bad_addresses().filter(patient__in=patient_ids).values_list("patient", "channel", "address"))
    wishes = {
        row.patient_id: row
        for row in MessageWish.objects.filter(patient__in=patient_ids, voided_at=None).order_by("pk")
    }
    found = {}
    for patient in Patient.objects.filter(pk__in=patient_ids).only(
        *(ADDRESS[channel] for channel in channels)
    ):
        addresses = {channel: getattr(patient, ADDRESS[channel]) for channel in channels}
        wish = wishes.get(patient.pk)
        found[patient.pk] = Reach(
            said[patient.pk],
            tuple(
                channel
                for channel, address in addresses.items()
                if address and (patient.pk, channel, address) not in bad
            ),
            wish.channel if wish else "",
            wish.detailed if wish else False,
        )
    return found


def bad_addresses() -> "QuerySet[BadAddress]":
    """Addresses nothing is sent to, until a person confirms them."""
    return BadAddress.objects.filter(confirmed_at=None)
