"""What is asked of a password wherever one is chosen: at least 12 characters, none of the common ones, and
nothing else (NIST SP 800-63B-4, 3.1.1.2: length and a blocklist, no rules of composition).
"""

from typing import Any

from django import forms
from django.contrib.auth import password_validation
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError
from django.views.decorators.debug import sensitive_variables

from clinic.accounts.models import User

_NEW = {"autocomplete": "new-password"}
GOOD = "At least 12 characters. Some words that nobody would guess together are good."


class NewPasswordForm(forms.Form):
    """A new password, twice."""

    password = forms.CharField(
        strip=False,
        widget=forms.PasswordInput(attrs=_NEW),
        help_text=GOOD,
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


class SignInForm(AuthenticationForm):
    """Django's, in our words."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "User name"


class OtherPasswordForm(PasswordChangeForm):
    """Django's, in the words of the other forms that ask for a new password."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["old_password"].label = "Your password until now"
        self.fields["new_password1"].help_text = GOOD
        self.fields["new_password2"].label, self.fields["new_password2"].help_text = "New password again", ""
