"""The manager's rooms on one page: what each is for, in the order of a morning."""

from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.queries.emergency import waiting
from resupply.web.access import StaffRequest, can, may


@dataclass(frozen=True, slots=True)
class Room:
    """A place to go: its name, its address, and what it is for."""

    name: str
    view: str
    permission: str
    what: str

    @property
    def url(self) -> str:
        """Where it is."""
        return reverse(self.view)


ROOMS: tuple[tuple[str, tuple[Room, ...]], ...] = (
    (
        "Who and what",
        (
            Room(
                "Overdue",
                "manager:overdue",
                "overdue.see",
                "Who has fallen behind, and the next step with each.",
            ),
            Room(
                "Parts never given",
                "manager:missing",
                "overdue.see",
                "Patients who lack a part they should have.",
            ),
            Room("Recalls", "manager:recalls", "recall.see", "What is held back, and who has been reached."),
        ),
    ),
    (
        "Ahead",
        (
            Room(
                "Outlook",
                "manager:outlook",
                "outlook.see",
                "Parts needed in the next six months, and what to order.",
            ),
            Room(
                "Open days",
                "manager:open_days",
                "open_days.change",
                "Weekdays and days off of each location.",
            ),
        ),
    ),
    (
        "Looking back",
        (
            Room(
                "Measures", "manager:measures", "measures.see", "How the clinic does, by month and location."
            ),
            Room(
                "Evidence packets",
                "manager:packets",
                "packet.see",
                "What a payer's audit asks for, as it stood then.",
            ),
            Room(
                "Emergency access",
                "manager:emergencies",
                "emergency.review",
                "Patients opened by staff of other locations, to be looked at.",
            ),
            Room("History", "manager:history", "history.see", "Who saw which records, and who changed what."),
        ),
    ),
    (
        "Rules",
        (
            Room(
                "Policy",
                "manager:policy",
                "policy.change",
                "Lives, allowances and terms as dated versions; what a change would do, before it is made.",
            ),
            Room(
                "Messages",
                "manager:message_terms",
                "message_terms.see",
                "When messages go out, and how many.",
            ),
            Room(
                "Matching table",
                "therapist:matching",
                "matching.version",
                "What speaks for and against each mask style.",
            ),
            Room(
                "Follow-up plan",
                "therapist:plans",
                "care_plan.version",
                "When a patient is seen after a fitting.",
            ),
        ),
    ),
    (
        "The clinic",
        (
            Room(
                "First steps",
                "manager:first_steps",
                "first_steps.see",
                "From an empty start to the first dispense: what is done, what is left.",
            ),
            Room("Locations", "manager:locations", "location.see", "Where patients are seen, parts given."),
            Room("People", "people", "people.change", "Who works here, what each may do, and invitations."),
            Room("Payers", "manager:payers", "policy.change", "Who pays for parts, and what each allows."),
            Room("Mail", "manager:mail", "mail.check", "How messages leave, and a test message."),
        ),
    ),
    (
        "In and out",
        (
            Room("Imports", "desk:imports", "import.run", "An old list imported, each row checked first."),
            Room("Jobs", "jobs", "job.see", "Long work you asked for, and its files."),
            Room(
                "Sharing",
                "manager:sharing",
                "sharing.see",
                "Programs that may read records, and what they read.",
            ),
            Room(
                "Status",
                "manager:status",
                "status.see",
                "What the machinery does, when it was last backed up, and what needs somebody.",
            ),
        ),
    ),
)
"""Groups of rooms."""


@may("manager.rooms")
@require_GET
def rooms(request: StaffRequest) -> HttpResponse:
    """Every room that the person asking may enter."""
    groups = [
        (name, found)
        for name, group in ROOMS
        if (found := [room for room in group if can(request, room.permission)])
    ]
    context = {
        "today": clock.today(request.zone),
        "groups": groups,
        "emergencies": waiting(request.location_ids),
    }
    return render(request, "manager/rooms.html", context)
