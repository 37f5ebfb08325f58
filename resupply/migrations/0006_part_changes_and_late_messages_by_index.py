"""Two indexes that each sweep and the list of what did not arrive ask for, made while people work."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("resupply", "0005_emergency_access")]
    operations = [
        AddIndexConcurrently(
            model_name="message",
            index=models.Index(
                condition=models.Q(
                    ("handled_at", None),
                    ("last_error", "Could not be sent within its day."),
                    ("state", "cancelled"),
                ),
                fields=["day"],
                name="message_ran_late",
            ),
        ),
        AddIndexConcurrently(
            model_name="planline",
            index=models.Index(
                condition=models.Q(("active", True), ("units_started__gt", 1)),
                fields=["in_use_since"],
                name="plan_changed",
            ),
        ),
    ]
