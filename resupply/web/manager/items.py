"""One item of the shelf: its page with who changed what, and the forms that add and correct it."""

from collections.abc import Callable
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from resupply import clock
from resupply.models import CatalogueItem
from resupply.queries import catalogue as shelf
from resupply.queries import recalls
from resupply.queries.matching import style_names
from resupply.rules import magnets
from resupply.rules.item_numbers import read_gtin
from resupply.rules.kinds import Kind
from resupply.rules.tables import part_types
from resupply.services import catalogue as service
from resupply.web import access
from resupply.web.access import StaffRequest, can, may
from resupply.web.forms import written
from resupply.web.manager.catalogue_forms import MAGNET_WORDS, ItemForm, redrawn, start_of
from resupply.web.manager.item_words import changes_in_words
from resupply.web.methods import GET_OR_POST, posted
from resupply.web.ways import way_back
from resupply.web.wording import kind_word

_SCANNED = 60  # characters of a scanned value that are shown


@may("catalogue.see")
@require_GET
def item(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """One item, what it is recalled for, and who changed what."""
    found = access.item_or_404(public_id)
    part, today = part_types().get(found.part_code), clock.today(request.zone)
    styles = style_names(today)
    context = {
        "today": today,
        "item": found,
        "kind": kind_word(found.kind),
        "part": part,
        "style": styles.get(found.style, found.style),
        "packed": [(code, part_types()[code].name) for code in found.contains if code in part_types()],
        "magnets": MAGNET_WORDS.get(found.magnetic, ""),
        "notices": magnets.notices().values(),
        "changes": changes_in_words(shelf.changes(found), styles=styles),
        "recalls": recalls.naming(found),
        "may_change": can(request, "catalogue.change"),
        "back_url": reverse("manager:catalogue"),
    }
    return render(request, "manager/item.html", context)


@may("catalogue.change")
@GET_OR_POST
def item_new(request: StaffRequest) -> HttpResponse:
    """Add an item, from a scan where one came with the address."""
    came_from = way_back(request)
    first = {"gtin": request.GET.get("gtin", ""), "hibc": request.GET.get("hibc", ""), "is_offered": True}
    form = _form(request, first | {"magnetic": start_of("")})

    def write() -> CatalogueItem:
        return service.add_item(form.details(), by=request.staff.user, now=clock.now())

    return _answer(
        request, form, write, title="Add an item", action="Add the item", done="Added: {}.",
        back_url=came_from or reverse("manager:catalogue"), came_from=came_from,
    )  # fmt: skip


@may("catalogue.change")
@GET_OR_POST
def item_edit(request: StaffRequest, public_id: UUID) -> HttpResponse:
    """Correct an item, or offer it no longer."""
    found = access.item_or_404(public_id)
    form = _form(request, ItemForm.initial_of(found), found)

    def write() -> CatalogueItem:
        return service.change_item(found, form.details(), by=request.staff.user, now=clock.now())

    return _answer(
        request, form, write, title=f"Change {found}", action="Save the item", done="Saved: {}.",
        back_url=reverse("manager:item", args=[public_id]), came_from="", of=found,
    )  # fmt: skip


def _form(request: StaffRequest, first: dict[str, object], of: CatalogueItem | None = None) -> ItemForm:
    """The form as typed; after another code was chosen, drawn anew for it with nothing checked."""
    families, styles = shelf.all_families(), service.styles_offered(of, now=clock.now())
    if "redraw" in request.POST:
        return ItemForm(initial=redrawn(request.POST), families=families, styles=styles)
    return ItemForm(posted(request), initial=first, families=families, styles=styles)


def _answer(
    request: StaffRequest,
    form: ItemForm,
    write: Callable[[], CatalogueItem],
    *,
    title: str,
    action: str,
    done: str,
    back_url: str,
    came_from: str,
    of: CatalogueItem | None = None,
) -> HttpResponse:
    """Show the form; sent and written, go where one came from, or to the item."""
    if request.method == "POST" and "redraw" not in request.POST and (saved := written(form, write)):
        messages.success(request, done.format(saved))
        return redirect(came_from or reverse("manager:item", args=[saved.public_id]))
    context = {
        "today": clock.today(request.zone),
        "form": form,
        "title": title,
        "action": action,
        "back_url": back_url,
        "of": of,
        "scanned": _scanned(request),
        "known": None if of or form.errors else _known(request),
        "is_cushion": form.kind in {None, Kind.CUSHION},
        "may_hold_magnets": form.kind is None or not service.starts_without_magnets(form.kind),
        "pair_rule": part_types()["A7033"].source,
        "notices": magnets.notices().values(),
    }
    return render(request, "manager/item_form.html", context, status=422 if form.errors else 200)


def _scanned(request: HttpRequest) -> list[tuple[str, str]]:
    """What a scan said besides the item's number: it belongs to the dispense, and is shown only."""
    told = [("lot", "lot"), ("serial", "serial"), ("expires", "expires")]
    return [(word, request.GET[name][:_SCANNED]) for name, word in told if request.GET.get(name)]


def _known(request: HttpRequest) -> CatalogueItem | None:
    """The item that has the scanned GTIN already, offered no longer perhaps."""
    typed = request.GET.get("gtin", "")
    return shelf.by_gtin(read_gtin(typed, year=clock.today("UTC").year).number) if typed else None
