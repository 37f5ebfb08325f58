"""Use in the first months and the re-evaluation, where the payer of that time asks for one."""

from datetime import date

from resupply.models import FollowUp
from resupply.queries.nights import window_of
from resupply.queries.packets.gather import Records
from resupply.queries.packets.said import Json, Names, plain, record_name
from resupply.rules.adherence import Window, judge, shipped


def first_months(found: Records, names: Names) -> Json | None:
    """The window, what the nights then on record say, and the visit; None where no payer asks.

    Nights count as on record at the packet's moment; a night that is missing was not used.
    """
    started_on = found.patient.therapy_started_on
    coverage = found.coverage_on(started_on) if started_on else None
    payer = found.payers.get(coverage.payer_id or 0) if coverage else None
    window = window_of(payer, started_on) if payer and started_on else None
    if payer is None or started_on is None or window is None:
        return None
    minutes = {night.night_on: night.usage_min for night in found.nights}
    judged = judge(minutes, started_on=started_on, through=max(minutes, default=started_on))
    seen = next((visit for visit in found.reevaluations if visit.on >= window.first), None)
    rule = shipped()[0]
    policy = shipped()[1][window.policy]
    return {
        "payer": payer.name,
        "started_on": plain(started_on),
        "use_rule": {
            "minutes": rule.minutes,
            "nights": rule.nights,
            "of_nights": rule.window_nights,
            "source": rule.source,
        },
        "verdict": judged.verdict.value,
        "met": _window(judged.met),
        "best": _window(judged.best),
        "last_night": plain(judged.last_night),
        "reevaluation": {
            "policy": policy.name,
            "first": plain(window.first),
            "last": plain(window.last),
            "source": policy.source,
            **_seen(seen, names),
        },
        "nights": [[plain(on), minutes[on]] for on in _within(minutes, started_on, judged.last_night)],
    }


def _seen(visit: FollowUp | None, names: Names) -> Json:
    """The visit of the re-evaluation as recorded; nothing but nulls where there was none."""
    return {
        "seen_on": plain(visit.on) if visit else None,
        "record": record_name(visit) if visit else None,
        "recorded_at": plain(visit.recorded_at) if visit else None,
        "recorded_by": names(visit.recorded_by_id) if visit else None,
    }


def _within(minutes: dict[date, int], first: date, last: date) -> list[date]:
    return sorted(on for on in minutes if first <= on <= last)


def _window(window: Window | None) -> Json | None:
    if window is None:
        return None
    return {"first": plain(window.first), "last": plain(window.last), "nights": window.nights}
