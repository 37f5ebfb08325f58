"""Tags and filters that show dates, states and quantities the same way on every page (words: web/wording.py).

Tags read `today` from the context (doors put it there); without it, dates always carry their year.
"""

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from django import template
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from resupply.queries import names
from resupply.web import strip_words, wording
from resupply.web.strip import StripLine

register = template.Library()


def _today(context: template.Context) -> date | None:
    value = context.get("today")
    return value if isinstance(value, date) else None


@register.simple_tag(takes_context=True)
def day(context: template.Context, value: date | None, plain: bool = False) -> str | SafeString:
    """A calendar date for people in a `<time>`; plain: the words alone (for attributes); None: nothing."""
    if value is None:
        return ""
    words = wording.day_words(value, today=_today(context))
    return words if plain else format_html('<time datetime="{}">{}</time>', value.strftime("%Y-%m-%d"), words)


@register.simple_tag(takes_context=True)
def span(context: template.Context, first: date, last: date) -> SafeString:
    """Two calendar dates and what lies between: `Mon 2 Mar to Wed 18 Mar`; one day is shown once."""
    days = (day(context, one) for one in dict.fromkeys((first, last)))
    return format_html_join(" to ", "{}", ((one,) for one in days))


@register.simple_tag(takes_context=True)
def when(context: template.Context, value: datetime | None) -> SafeString | str:
    """A moment in the page's time zone: `Sat 28 Mar, 14:05`; UTC, which is nobody's wall clock, is named."""
    if value is None:
        return ""
    local = timezone.localtime(value)
    words = f"{wording.day_words(local.date(), today=_today(context))}, {local:%H:%M}"
    if timezone.get_current_timezone_name() == "UTC":
        words += " UTC"
    return format_html('<time datetime="{}">{}</time>', value.isoformat(), words)


@register.simple_tag
def phone(number: str | None) -> SafeString | str:
    """A telephone number that can be called from where it stands; nothing where there is none."""
    if not number:
        return ""
    return format_html('<a class="nowrap" href="tel:{}">{}</a>', number.replace(" ", ""), number)


@register.inclusion_tag("components/_state.html")
def state(code: str, days_overdue: int | None = None, waiting: bool = False) -> dict[str, Any]:
    """A state as a word with its wash."""
    return {"state": code, "days_overdue": days_overdue, "waiting": waiting}


@register.simple_tag
def state_label(code: str, days_overdue: int | None = None) -> str:
    """The word of a state, with the days where overdue."""
    return wording.state_word(code, days_overdue)


@register.simple_tag
def strip_words_of(line: StripLine, today: date, audience: str = "staff") -> str:
    """The words beside a strip, for `staff` or `patient`, or the `sentence` that is read aloud."""
    write = {
        "staff": strip_words.staff_words,
        "patient": strip_words.patient_words,
        "sentence": strip_words.sentence,
    }[audience]
    return write(line, today=today)


@register.filter
def purpose_word(purpose: str) -> str:
    """A purpose of messages, for staff; one that has no word of its own as it is stored."""
    return wording.PURPOSE_WORDS.get(purpose, purpose.replace("_", " ").capitalize())


@register.simple_tag
def period(count: int, unit: str) -> str:
    """A period: `2 months`."""
    return wording.period_words(count, unit)


@register.filter
def part_word(code: str) -> str:
    """A billing code in words."""
    return wording.part_word(code)


@register.filter
def kind_word(kind: str) -> str:
    """The name of a kind of part."""
    return wording.kind_word(kind)


@register.filter
def staff_name(user: AbstractUser | None) -> str:
    """What the clinic calls a member of staff; nothing for None."""
    return names.staff_name(user)


@register.filter
def birth(value: date | None) -> str:
    """`4 Feb 1961`; nothing for None."""
    return wording.date_words(value) if value else ""


@register.filter
def cited(source: str) -> str:
    """A source, its days as people read them."""
    return wording.cited(source)


@register.filter
def month_year(value: date | None) -> str:
    """`Oct 2024`; nothing for None."""
    return wording.month_words(value) if value else ""


@register.filter
def days(number: int | None) -> str:
    """`1 day`, `9 days`; nothing for None."""
    return "" if number is None else wording.counted(number, "day")


@register.filter
def size(number: int) -> str:
    """Bytes as people read them: `388 kB`."""
    return wording.size_words(number)


@register.filter
def counted(number: int, noun: str) -> str:
    """`1 spare`, `2 spares`; `"battery,batteries"` gives the plural."""
    return wording.counted(number, noun)


@register.filter
def with_minus(number: int) -> str:
    """`−1`: less than nothing with a minus sign, as people write it."""
    return str(number).replace("-", "−")


@register.filter
def limit_words(limit: int | None) -> str:
    """A quantity limit, or "no published limit"."""
    return wording.limit_words(limit)


@register.filter
def magnet_stop(reason: str) -> str:
    """Why magnetic parts are stopped, as a sentence without anyone's health in it."""
    return wording.MAGNET_STOPS[reason]


@register.filter
def is_date(value: object) -> bool:
    """Whether a fact is a calendar date and should be shown as one."""
    return isinstance(value, date) and not isinstance(value, datetime)


@register.filter
def stop_words(codes: Iterable[str]) -> str:
    """What a line given as an exception lies outside of."""
    return wording.stop_words(codes)


@register.simple_tag
def source_of(reason: Any) -> str:
    """The source of a reason or remedy (it has `mark` and `source`) with what it is worth."""
    return wording.source_words(reason.mark, reason.source)


@register.filter
def calendar_shows(calendar: object) -> str:
    """What a calendar shows, in words."""
    return wording.calendar_words(calendar)


@register.filter
def hours(minutes: int) -> str:
    """Minutes as hours and minutes: `7:05`."""
    return f"{minutes // 60}:{minutes % 60:02d}"
