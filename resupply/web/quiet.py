"""Answers at addresses that are secrets, or that programs ask for: not logged by their path."""

from typing import TypeVar

from django.http.response import HttpResponseBase

R = TypeVar("R", bound=HttpResponseBase)


def quiet(response: R) -> R:
    """The answer, which Django does not log: it logs those from 400 on, unless they have been logged."""
    response._has_been_logged = True  # type: ignore[attr-defined]
    return response
