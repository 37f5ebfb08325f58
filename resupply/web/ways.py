"""Ways back: addresses that come with a request and may be gone to afterwards."""

from django.http import HttpRequest
from django.utils.http import url_has_allowed_host_and_scheme


def way_back(request: HttpRequest, name: str = "next") -> str:
    """The address in a field of the query, where it is a path of this site; empty otherwise.

    No other host, scheme or relative path is ever gone to: the query can come from anywhere.
    """
    address = request.GET.get(name, "")
    is_own = address.startswith("/") and url_has_allowed_host_and_scheme(address, allowed_hosts=None)
    return address if is_own else ""
