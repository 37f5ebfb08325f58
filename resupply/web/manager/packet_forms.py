"""The form that finds the dispense a packet is wanted for."""

from django import forms

from resupply.web.forms import day_field


class FindForm(forms.Form):
    """As a payer's letter names it: whose, and the date of service."""

    reference = forms.CharField(label="Patient's reference", max_length=40)
    on = day_field("Date of service", help_text="The day the parts were handed over or shipped.")
