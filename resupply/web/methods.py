"""Which methods a view takes, where it is more than one, and what was sent by one of them."""

from django.http import HttpRequest, QueryDict
from django.views.decorators.http import require_http_methods

GET_OR_POST = require_http_methods(["GET", "POST"])
GET_HEAD_OR_POST = require_http_methods(["GET", "HEAD", "POST"])


def posted(request: HttpRequest) -> QueryDict | None:
    """What was sent, also where that is nothing: a form with nothing in it is checked like any other. None:
    the page is only asked for.
    """
    return request.POST if request.method == "POST" else None
