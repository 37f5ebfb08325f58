"""Work on the overdue list of the demo clinic: lines assigned, a note, a snooze, saved views, and supply at
the ends of past months, which a worker works out once the demo runs.
"""

from datetime import date, datetime, timedelta

from django.contrib.auth import get_user_model

from resupply.models import Act, Staff
from resupply.queries.overdue import OverdueFilter, overdue_lines
from resupply.services import jobs, measures, overdue_acts
from resupply.services.overdue_acts import Wish
from resupply.services.saved_views import save_view


def write_overdue_work(*, today: date, now: datetime) -> None:
    """Let the manager have worked on the list this morning."""
    manager = get_user_model().objects.get(staff__role="manager")
    desk = Staff.objects.select_related("user").get(role="desk", user__username="desk")
    rows = overdue_lines(OverdueFilter(), today=today).order_by("supply_ends_on", "pk")
    lines = list(rows.select_related("patient", "location")[:8])
    for some, wish in (
        (lines[:3], Wish(act=Act.ASSIGN, assigned_to=desk)),
        (lines[3:4], Wish(act=Act.NOTE, note="asks for the small size")),
        (lines[4:5], Wish(act=Act.SNOOZE, until=today + timedelta(days=14), note="in hospital, back then")),
    ):
        if some:
            overdue_acts.act(some, wish, by=manager, today=today, now=now)
    save_view("Long overdue", "least=91", by=manager, now=now)
    save_view("Never reached", "reach=never_reached", by=manager, now=now)
    jobs.ask(
        measures.PAST_MONTHS,
        {"months": [month.isoformat() for month in measures.missing_months(today=today)]},
        title="Supply at the ends of past months",
        permission="measures.see",
        back_url="/manager/measures/",
        by=manager,
        now=now,
    )
