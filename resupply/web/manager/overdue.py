"""The overdue list: on screen, its counts, and for paper."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import islice
from typing import TYPE_CHECKING

from django.contrib.auth.base_user import AbstractBaseUser
from django.http import HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.delivery.overdue_words import last_words, step_verb, step_why
from resupply.models import BulkAct, PlanLine, SavedView
from resupply.queries.overdue import OverdueFilter, Place, Snoozed, overdue_page, overdue_rows
from resupply.queries.overdue_ages import AGES, is_summed, overdue_by_age
from resupply.queries.overdue_known import Looked, looked_up
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.bars import Total, with_share
from resupply.web.manager.forms import OverdueForm, staff_of
from resupply.web.manager.overdue_act_words import done_words
from resupply.web.paging import filters_of, place_in, turned_at, with_filters
from resupply.web.wording import counted, kind_word, part_word

if TYPE_CHECKING:
    from resupply.queries.overdue import OverdueLine

PRINTED = 1000
"""Rows on paper at most; beyond them a file is the better tool."""
UNDO_SHOWN = timedelta(minutes=30)
"""So long the list offers to undo what was done last; later its page does."""
_MARKS = ("", "", "attention", "alarm", "alarm")
_MONTH = 30  # days, the end of a band


@dataclass(frozen=True, slots=True)
class Row:
    """One overdue line as it is shown."""

    line: PlanLine
    looked: Looked
    days: int
    part: str
    kind: str
    waiting: bool
    """Coverage opens later than today."""
    last: str
    verb: str
    why: str


@dataclass(frozen=True, slots=True)
class Asked:
    """The list that an address asks for."""

    form: OverdueForm
    wanted: OverdueFilter
    longest_first: bool
    today: date

    def rows(self) -> "Iterator[OverdueLine]":
        """All of it, in its order."""
        return overdue_rows(self.wanted, today=self.today, longest_first=self.longest_first)


@may("overdue.see")
@require_GET
def overdue(request: StaffRequest) -> HttpResponse:
    """A page of the list, and how many lines there are by age of delay."""
    asked = asked_for(request, request.GET)
    page = overdue_page(
        asked.wanted,
        today=asked.today,
        longest_first=asked.longest_first,
        after=_place(request.GET.get("after", "")),
        before=_place(request.GET.get("before", "")),
    )
    query = filters_of(request).urlencode()
    context = {
        "form": asked.form,
        "today": asked.today,
        "rows": shown_rows(page.rows, today=asked.today),
        "is_cut": page.is_cut,
        "is_summed": is_summed(asked.wanted),
        **(_ages(request, asked) if is_summed(asked.wanted) else {}),
        "ages_url": with_filters(request, "manager:overdue_ages"),
        "newer_url": turned_at(request, "before", _pair(page.before)),
        "older_url": turned_at(request, "after", _pair(page.after)),
        "list_url": reverse("manager:overdue"),
        "csv_url": with_filters(request, "manager:overdue_csv"),
        "xlsx_url": with_filters(request, "manager:overdue_xlsx"),
        "print_url": with_filters(request, "manager:overdue_print"),
        "save_url": with_filters(request, "manager:view_save"),
        "query": query,
        "views": [(view, view.query == query) for view in _views(request.staff.user)],
        "last_act": (last := last_act(request)),
        "last_words": done_words(last, today=asked.today) if last else "",
        "is_narrowed": asked.wanted != OverdueFilter(location_ids=request.location_ids or None),
    }
    return render(request, "manager/overdue.html", context)


@may("overdue.see")
@require_GET
def overdue_ages(request: StaffRequest) -> HttpResponse:
    """The counts by age of delay alone, where they take longer than the list."""
    asked = asked_for(request, request.GET)
    context = {
        **_ages(request, asked, reverse("manager:overdue")),
        "today": asked.today,
        "list_url": with_filters(request, "manager:overdue"),
        "choices": asked.form.words(),
    }
    part = "manager/_overdue_ages.html" if request.headers.get("HX-Request") else "manager/overdue_ages.html"
    return render(request, part, context)


@may("overdue.see")
@require_GET
def overdue_print(request: StaffRequest) -> HttpResponse:
    """The list for paper, without pages."""
    asked = asked_for(request, request.GET)
    lines = list(islice(asked.rows(), PRINTED + 1))
    context = {
        "today": asked.today,
        "rows": shown_rows(lines[:PRINTED], today=asked.today),
        "is_cut": len(lines) > PRINTED,
        "printed": PRINTED,
        "choices": asked.form.words(),
        "list_url": with_filters(request, "manager:overdue"),
        "on_paper": True,
    }
    return render(request, "manager/overdue_print.html", context)


@may("overdue.mine")
@require_GET
def overdue_mine(request: StaffRequest) -> HttpResponse:
    """The lines that the person asking looks after, snoozed ones too."""
    today = clock.today(request.zone)
    wanted = OverdueFilter(
        location_ids=request.location_ids or None,
        assigned_id=request.staff.user_id,
        snoozed=Snoozed.TOO,
    )
    lines = list(islice(overdue_rows(wanted, today=today), PRINTED + 1))
    context = {
        "today": today,
        "rows": shown_rows(lines[:PRINTED], today=today),
        "is_cut": len(lines) > PRINTED,
        "printed": PRINTED,
        "on_paper": True,
    }
    return render(request, "manager/overdue_mine.html", context)


def asked_for(request: StaffRequest, query: QueryDict) -> Asked:
    """The filters; what does not fit a field is shown there and does not narrow the list."""
    places = access.locations(request)
    form = OverdueForm(query, locations=places, staff=staff_of(request.location_ids))
    form.is_valid()
    chosen = form.cleaned_data.get("location") or places.first()
    today = clock.today(chosen.time_zone if chosen else "UTC")
    return Asked(form, form.wanted(request.location_ids), form.longest_first, today)


def shown_rows(lines: Sequence[PlanLine], *, today: date) -> list[Row]:
    """Lines with everything that is said of them."""
    looked = looked_up(lines, today=today)
    return [_row(line, looked[line.pk], today) for line in lines]


def last_act(request: StaffRequest) -> BulkAct | None:
    """What the person asking did last, while the list still offers to undo it."""
    since = clock.now() - UNDO_SHOWN
    newest = BulkAct.objects.filter(acted_by=request.staff.user_id).order_by("-pk")
    found = newest.select_related("assigned_to").first()
    return found if found and found.undone_at is None and found.acted_at > since else None


def _row(line: PlanLine, looked: Looked, today: date) -> Row:
    name, kind = part_word(line.part_code) or line.part_code, kind_word(line.kind)
    return Row(
        line,
        looked,
        (today - line.supply_ends_on).days,
        "" if name.casefold() == kind.casefold() else name,
        kind,
        line.covered_from is not None and line.covered_from > today,
        last_words(looked.last),
        step_verb(looked.step),
        step_why(looked.step, today=today),
    )


def _ages(request: StaffRequest, asked: Asked, path: str = "") -> dict[str, object]:
    """`totals`: counts by age of delay, each of which leads to its own rows; `finding`: what they say."""
    counts = overdue_by_age(asked.wanted, today=asked.today)
    rows = []
    for (low, high), count, mark in zip(AGES, counts, _MARKS, strict=True):
        query = filters_of(request)
        query["least"], query["most"] = str(low), str(high or "")
        label = f"{low} to {high} days" if high else f"more than {low - 1} days"
        rows.append(Total(label, count, f"{path}?{query.urlencode()}", mark))
    return {"totals": with_share(rows), "finding": _age_finding(counts)}


def _age_finding(counts: Sequence[int]) -> str:
    """`36 lines overdue, 19 of them for more than 30 days`."""
    late = sum(count for (low, _), count in zip(AGES, counts, strict=True) if low > _MONTH)
    more = f", {late} of them for more than {_MONTH} days" if late else ""
    return f"{counted(sum(counts), 'line')} overdue{more}" if sum(counts) else "No line is overdue"


def _views(user: AbstractBaseUser) -> Sequence[SavedView]:
    return list(SavedView.objects.filter(user_id=user.pk, removed_at=None))


def _pair(place: Place | None) -> tuple[date, int] | None:
    return (place.supply_ends_on, place.pk) if place else None


def _place(text: str) -> Place | None:
    found = place_in(text)
    return Place(*found) if found else None
