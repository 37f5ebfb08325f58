"""What patients said about their refills: the yes a part may be given from, and the rows pages show.

An answer about a part replaces the one before. It counts for 180 days, and until the part is dispensed: the
yes was to this refill, not to the next one (there is no standing consent).
"""

from collections.abc import Collection
from datetime import date, datetime, timedelta

from django.db import connection
from django.db.models import Exists, OuterRef, Q, QuerySet

from resupply.models import DispenseLine, RefillAnswer, RefillAnswerItem, Wish
from resupply.rules.questions import CALL_AFTER

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


def spoke_lately(*, today: date) -> QuerySet[RefillAnswer]:
    """Answers of the outer row's patient in the last days, about any part: nobody is asked again at once."""
    return RefillAnswer.objects.filter(
        patient=OuterRef("patient"), voided_at=None, contacted_on__gt=today - CALL_AFTER
    )


def answered(*, today: date) -> Q:
    """Whether the patient's newest word about the outer row's part, a yes or a "not now", counts on a day."""
    this = {"answer__patient": OuterRef("patient"), "kind": OuterRef("kind")}
    return Q(Exists(standing_yeses(today=today).filter(**this))) | Q(
        Exists(standing_noes(today=today).filter(**this))
    )


UNUSED_YESES = "resupply_unused_yeses(resupply_patient.id)"
"""Column of a query on patients: wanted items that no later answer replaced and no dispense used up, however
old ("id kind" each). A function of the database, as every refresh of a plan asks for it; a test holds it
against `open_items`, which says the same in Django's words.
"""
STORED_YESES = "ARRAY(SELECT item_id FROM resupply_standingyes WHERE patient_id = resupply_patient.id)"
"""Column of a query on patients: the items on record as such."""


def yes_rows(patient_ids: Collection[int]) -> list[tuple[int, list[str], list[int]]]:
    """Both columns of these patients, by number. One query."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT id, {UNUSED_YESES}, {STORED_YESES} FROM resupply_patient WHERE id = ANY(%s)",  # noqa: S608
            [list(patient_ids)],
        )
        return list(cursor)


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
