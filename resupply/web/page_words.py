"""What staff call a page, from the name of its view: the room, then the page. Files keep the view's name."""

ROOMS = {
    "desk": "Front desk",
    "stock": "Stock",
    "therapist": "Therapist",
    "manager": "Manage",
    "me": "The patient’s own page",
    "ask": "Refill question",
    "help": "Help",
    "fhir": "Sharing",
    "feed": "Calendar",
}
ALONE = {"home": "Today", "worklist": "A list of Today", "worklist_print": "A list of Today, printed"}


def page_words(view: str) -> str:
    """The page of a view.

    >>> page_words("desk:patient_new"), page_words("me:page"), page_words("home"), page_words("")
    ('Front desk: patient new', 'The patient’s own page', 'Today', '')
    """
    room, _, page = view.rpartition(":")
    words = page.replace("_", " ")
    if room:
        return f"{ROOMS.get(room, room)}: {words}" if page != "page" else ROOMS.get(room, room)
    return ALONE.get(view, words[:1].upper() + words[1:])
