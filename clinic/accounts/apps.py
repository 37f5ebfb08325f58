"""Staff sign-in."""

from django.apps import AppConfig
from django.contrib.auth.signals import user_logged_in, user_logged_out


class AccountsConfig(AppConfig):
    """The people who sign in; what they may do is decided elsewhere, by their role."""

    name = "clinic.accounts"
    label = "accounts"

    def ready(self) -> None:
        """Sign-ins and sign-outs are noted; second steps are encrypted anew with everything else."""
        from clinic.accounts import adapter, sessions
        from resupply.services import data_keys

        data_keys.ELSEWHERE.append(data_keys.Elsewhere(adapter.rotate, adapter.left))
        user_logged_in.connect(sessions.begin, dispatch_uid="sign-in noted")
        user_logged_out.connect(sessions.finish, dispatch_uid="sign-out noted")
