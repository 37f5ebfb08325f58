"""What patients said about their refills: the yes a part may be given from, and the rows pages show.

An answer about a part replaces the one before. It counts for 180 days, and until the part is dispensed: the
yes was to this refill, not to the next one (there is no standing consent).
"""

from datetime import date, datetime, timedelta

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.db.models.functions import JSONObject

from resupply.models import DispenseLine, RefillAnswerItem, StandingYes, Wish

NO_STANDS = timedelta(days=30)
"""How long a "not now" keeps the desk from asking again (ours)."""
ANSWER_STANDS = timedelta(days=180)
"""How long an answer counts (ours): half a year on, what the patient said tells nothing of the need now."""


def open_items(patient_id: int, *, now: datetime) -> dict[str, RefillAnswerItem]:
    """The items a patient's parts may be given from now, by kind, each with its answer. One query."""
    items = (
        RefillAnswerItem.objects.filter(answer__patient=patient_id, answer__recorded_at__lte=now)
        .filter(answer__voided_at=None)
        .select_related("answer")
        .annotate(is_used=used())
        .order_by("-answer__answered_at", "-answer")
    )
    newest: dict[str, RefillAnswerItem] = {}
    for item in items:
        newest.setdefault(item.kind, item)
    return {kind: item for kind, item in newest.items() if _is_open(item, now)}


def standing_yeses(*, today: date) -> QuerySet[RefillAnswerItem]:
    """What patients said yes to and have not got, on a day; as derived by `services.standing`."""
    return RefillAnswerItem.objects.filter(
        standing_yes__isnull=False, answer__contacted_on__gt=today - ANSWER_STANDS
    )


def standing_noes(*, today: date) -> QuerySet[RefillAnswerItem]:
    """Parts that patients do not want now, said lately enough to count on a day and not given since."""
    return RefillAnswerItem.objects.filter(
        ~Exists(_newer()), ~used(), wanted=False, answer__voided_at=None,
        answer__contacted_on__gt=today - NO_STANDS,
    )  # fmt: skip


def yes_columns() -> dict[str, ArraySubquery]:
    """Columns for a query on patients: `unused_yeses`, wanted items (with their kind) that no later answer
    replaced and no dispense used up, however old; and `stored_yeses`, the items on record as such.
    """
    unused = RefillAnswerItem.objects.filter(
        ~Exists(_newer()), ~used(), wanted=True, answer__wish=Wish.YES, answer__voided_at=None,
        answer__patient=OuterRef("pk"),
    )  # fmt: skip
    stored = StandingYes.objects.filter(patient=OuterRef("pk"))
    return {
        "unused_yeses": ArraySubquery(unused.values(found=JSONObject(item="pk", kind="kind"))),
        "stored_yeses": ArraySubquery(stored.values("item_id")),
    }


def _newer() -> QuerySet[RefillAnswerItem]:
    """Later items about the outer item's part: what was said later counts, whenever it was typed."""
    return RefillAnswerItem.objects.filter(
        Q(answer__answered_at__gt=OuterRef("answer__answered_at"))
        | Q(answer__answered_at=OuterRef("answer__answered_at"), answer__gt=OuterRef("answer")),
        answer__patient=OuterRef("answer__patient"),
        answer__voided_at=None,
        kind=OuterRef("kind"),
    )


def _is_open(item: RefillAnswerItem, now: datetime) -> bool:
    answer = item.answer
    counts = answer.contacted_on > (now - ANSWER_STANDS).date()
    return item.wanted and answer.wish == Wish.YES and counts and not getattr(item, "is_used", False)


def used() -> Q:
    """Whether the refill that an item is about went out: given from it, or its kind since the patient was
    asked. An exchange replaces what was given before, and is no refill.
    """
    standing = DispenseLine.objects.filter(voided_at=None, dispense__voided_at=None)
    since = standing.filter(
        dispense__patient=OuterRef("answer__patient"),
        kind=OuterRef("kind"),
        dispense__dispensed_on__gte=OuterRef("answer__contacted_on"),
        exchange_of=None,
    )
    return Exists(standing.filter(answer_item=OuterRef("pk"))) | Exists(since)
