"""What a page says that needs a location where the clinic has none yet."""

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec

from django.http import HttpResponse
from django.shortcuts import render

from resupply import clock
from resupply.web.access import StaffRequest, can

P = ParamSpec("P")
View = Callable[Concatenate[StaffRequest, P], HttpResponse]


class NoLocationError(Exception):
    """There is no open location here to record anything at."""


def needs_location(view: View[P]) -> View[P]:
    """Answer with a page that says what comes first, where the view finds no location. Below `may`."""

    @wraps(view)
    def answered(request: StaffRequest, /, *args: P.args, **kwargs: P.kwargs) -> HttpResponse:
        try:
            return view(request, *args, **kwargs)
        except NoLocationError:
            context = {"today": clock.today(request.zone), "may_add": can(request, "location.change")}
            return render(request, "no_location.html", context)

    return answered
