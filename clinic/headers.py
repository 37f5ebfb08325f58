"""Headers of every page: what a browser may use, and that it keeps nothing.

Pages hold patients' data or lead to it, and desks are shared: none is stored, unless its view says otherwise
(a calendar, which its program compares by ETag). Styles and scripts are answered before this.
"""

from collections.abc import Callable

from django.http import HttpRequest
from django.http.response import HttpResponseBase

_NOTHING = (
    *("accelerometer", "autoplay", "bluetooth", "camera", "display-capture", "encrypted-media", "fullscreen"),
    *(
        "geolocation",
        "gyroscope",
        "hid",
        "magnetometer",
        "microphone",
        "midi",
        "payment",
        "picture-in-picture",
    ),
    *("screen-wake-lock", "serial", "usb", "xr-spatial-tracking"),
)
_OURS = ("publickey-credentials-create", "publickey-credentials-get")
PERMISSIONS = ", ".join([*(f"{name}=()" for name in _NOTHING), *(f"{name}=(self)" for name in _OURS)])
"""No device of the person asking is used; passkeys are, by our own pages alone."""


class Headers:
    """Adds what an answer does not say itself."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer, with these headers."""
        response = self.get_response(request)
        response.setdefault("Permissions-Policy", PERMISSIONS)
        response.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        response.setdefault("X-Permitted-Cross-Domain-Policies", "none")
        response.setdefault("Cache-Control", "no-store")
        if (
            request.method == "POST"
            and request.resolver_match
            and request.resolver_match.view_name == "logout"
        ):
            response["Clear-Site-Data"] = '"cache", "storage"'  # desks are shared
        return response
