"""Find a patient: as you type, or by the form. What is typed is sent in the body, never in an address."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from resupply.models import Patient
from resupply.queries.finding import MOST_FOUND, find_patients, recent_patients
from resupply.services.find_tokens import fold
from resupply.web import access
from resupply.web.access import StaffRequest, may
from resupply.web.methods import GET_OR_POST


@may("patient.find")
@GET_OR_POST
def find(request: StaffRequest) -> HttpResponse:
    """The patients that match, or those seen last; one match alone is opened by the form at once."""
    typed = request.POST.get("q", "").replace("\0", "").strip()
    among = access.patients(request)
    if typed:
        found = find_patients(among, fold(typed).split()[:8], at=request.location_ids)
    else:
        found = recent_patients(among)
    most = MOST_FOUND if typed and len(found) == MOST_FOUND else 0
    if _as_you_type(request):
        results = {"results": _shown(found) if typed else [], "q": typed, "most": most}
        return render(request, "components/_find_results.html", results)
    if typed and len(found) == 1:
        return redirect("desk:patient", found[0].public_id)
    context = {
        "results": _shown(found),
        "q": typed,
        "is_bound": bool(request.location_ids),
        "most": most,
    }
    return render(request, "desk/find.html", context)


def _as_you_type(request: HttpRequest) -> bool:
    return bool(request.headers.get("HX-Request"))


def _shown(patients: list[Patient]) -> list[dict[str, object]]:
    """What a list of patients shows of each."""
    return [
        {
            "url": reverse("desk:patient", args=[patient.public_id]),
            "name": patient.name,
            "birth_date": patient.birth_date,
            "reference": patient.reference,
            "note": patient.location.name,
        }
        for patient in patients
    ]
