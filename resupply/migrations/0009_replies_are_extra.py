from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("resupply", "0008_overdue_work"),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name="message",
            name="one_message_per_patient_and_day",
        ),
        migrations.AddConstraint(
            model_name="message",
            constraint=models.UniqueConstraint(
                condition=models.Q(
                    ("purpose__in", ("stopped", "started", "help", "link_again")), _negated=True
                ),
                fields=("patient", "channel", "day"),
                name="one_message_per_patient_and_day",
            ),
        ),
    ]
