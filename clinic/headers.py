"""Headers of every page: what a browser may use, and that it keeps nothing. Pages leave compressed.

Pages hold patients' data or lead to it, and desks are shared: none is stored, unless its view says otherwise
(a calendar, which its program compares by ETag). Styles and scripts are answered before this.
"""

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

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


class NoPlainPrograms:
    """Programs with a token or a signature are refused without TLS, not led to it: led there, they would work
    on and send their token in the clear each time. People are led (`SECURE_SSL_REDIRECT`), and so are
    calendars, whose addresses some programs turn into http.
    """

    PATHS = ("/fhir/", "/texts/")

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Refuse, or hand on."""
        if settings.SECURE_SSL_REDIRECT and request.path.startswith(self.PATHS) and not request.is_secure():
            return HttpResponse("TLS only.\n", status=403, content_type="text/plain; charset=utf-8")
        return self.get_response(request)


class CompressedPages(GZipMiddleware):
    """Sends pages compressed, and nothing else.

    Files go as they are: calendars and records are compared by an ETag over their very bytes, packets by
    their hash, and lists leave row by row. The length of a compressed page tells who listens whether a word
    of the address stands on it, if they can make a browser ask for it (the BREACH attack). So a page that
    another site led to goes as it is, and every other one gets up to 100 random bytes, for browsers that do
    not say who led them.
    """

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        """Compressed if it is a whole page that nobody else led to, and the browser takes it."""
        kind = response.get("Content-Type", "").partition(";")[0]
        is_led_here = request.headers.get("Sec-Fetch-Site") in {"cross-site", "same-site"}
        if kind != "text/html" or response.streaming or "ETag" in response or is_led_here:
            return response
        return super().process_response(request, response)


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
