"""What is asked of a password wherever one is chosen: at least 12 characters, none of the common ones, and
nothing else (NIST SP 800-63B-4, 3.1.1.2: length and a blocklist, no rules of composition).
"""

from django import forms
from django.contrib.auth import password_validation
from django.core.exceptions import ValidationError
from django.views.decorators.debug import sensitive_variables

from clinic.accounts.models import User

_NEW = {"autocomplete": "new-password"}


class NewPasswordForm(forms.Form):
    """A new password, twice."""

    password = forms.CharField(
        strip=False,
        widget=forms.PasswordInput(attrs=_NEW),
        help_text="At least 12 characters. Some words that nobody would guess together are good.",
    )
    again = forms.CharField(strip=False, widget=forms.PasswordInput(attrs=_NEW), label="Password again")

    def owner(self) -> User:
        """Whose it will be: no password may be like a name or an address of its owner."""
        raise NotImplementedError

    @sensitive_variables()
    def clean(self) -> None:
        """Good enough, and twice the same."""
        found = self.cleaned_data
        if found.get("password") != found.get("again"):
            self.add_error("again", "The two are not the same.")
        try:
            password_validation.validate_password(found.get("password", ""), self.owner())
        except ValidationError as error:
            self.add_error("password", error)
