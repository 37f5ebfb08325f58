"""Invented numbers for the charts of the gallery."""

from datetime import date, timedelta
from decimal import Decimal

from resupply.models import Night
from resupply.queries.outlook import Week
from resupply.web.bars import Total, with_share
from resupply.web.gallery.lines import TODAY
from resupply.web.manager.measure_charts import chart
from resupply.web.manager.outlook_chart import outlook_chart
from resupply.web.therapist.leak_map import spots
from resupply.web.therapist.night_chart import night_chart

MONTHS = [date(2025 + month // 12, month % 12 + 1, 1) for month in range(3, 15)]
SHARES = (62.0, 64.0, 61.0, None, 66.0, 70.0, 71.0, 69.0, 74.0, 77.0, 76.0, 81.0)


def context() -> dict[str, object]:
    """Everything drawn: totals, a year of a measure, half a year of weeks, nights, a leak map."""
    return {
        "totals": with_share(
            [
                Total("1 to 7 days", 14),
                Total("8 to 30 days", 9, "#", "attention"),
                Total("31 to 90 days", 4, "#", "alarm"),
                Total("more than 90 days", 0),
            ]
        ),
        "measure": chart(MONTHS, SHARES, [None, *SHARES[:-1]], unit="%"),
        "measure_rows": list(zip(MONTHS, SHARES, strict=True)),
        "outlook": outlook_chart(_weeks()),
        "nights": night_chart(_nights(), [("Cushion", TODAY - timedelta(days=20))], last=TODAY),
        "spots": spots("full_face", {"bridge": "slight", "chin": "strong"}),
    }


def _weeks() -> list[Week]:
    first = date(2026, 3, 16)
    return [
        Week(
            first + timedelta(weeks=week), 18 + week * 7 % 11, 17 + week * 5 % 7, 11 + week % 5, 24 + week % 6
        )
        for week in range(26)
    ]


def _nights() -> list[Night]:
    """Forty nights, one without data, some short, leak that rises."""
    return [
        Night(
            night_on=TODAY - timedelta(days=40 - day),
            usage_min=380 + day * 53 % 90 if day % 9 else 150,
            leak_p95=Decimal(12 + day // 4 + day * 7 % 5) if day != 17 else None,
            leak_kind="unintentional",
        )
        for day in range(40)
        if day != 23
    ]
