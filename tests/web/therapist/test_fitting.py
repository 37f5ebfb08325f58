"""A fitting on screen: masks tried with their leak map, remedies, and the way to the dispense."""

import pytest
from django.urls import reverse

from resupply.models import Event, Fitting, Location
from resupply.services import plans
from tests.builders import NOW, TODAY, make_dispense, make_fitting, make_item

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]
TRY = {"size": "M", "pressure": "11", "lying": "back", "next_change": "a smaller size"}


@pytest.fixture
def mask(db):
    return make_item(
        name="Alder nasal", kind="mask", part_code="A7034", style="nasal", family="Alder", magnetic="no",
        pack_sizes=["S", "M", "L"],
    )  # fmt: skip


def address(fitting, name="fitting"):
    return reverse(f"therapist:{name}", args=[fitting.public_id])


def test_a_fitting_from_its_beginning_to_the_dispense(cast, therapist, mask):
    make_dispense(cast.odalys, lines=[{"part_code": "A7034", "family": "Birch"}])
    plans.refresh_plans([cast.odalys.pk], now=NOW)
    first = {"location": cast.north.pk, "fitted_on": "2026-03-18"}
    begun = therapist.post(reverse("therapist:fitting_begin", args=[cast.odalys.public_id]), first)
    fitting = Fitting.objects.get()
    assert begun.url == address(fitting)
    page = therapist.get(f"{address(fitting)}?item={mask.pk}").content.decode()
    assert "The top sits on the bridge" in page
    assert 'name="leak_bridge"' in page
    assert 'name="leak_chin"' not in page

    kept = therapist.post(address(fitting), TRY | {"item": mask.pk, "leak_bridge": "strong"}, follow=True)
    page = kept.content.decode()
    assert "Try 1 kept: bridge of the nose strong." in page
    assert "Loosen the lower straps first" in page
    therapist.post(address(fitting), TRY | {"item": mask.pk, "size": "S", "leak_bridge": "slight"})
    page = therapist.get(address(fitting)).content.decode()
    assert "less than before" in page

    ended = therapist.post(address(fitting, "fitting_end"), {"outcome": "kept", "kept": "2", "note": ""})
    assert (
        ended.url == f"{reverse('desk:dispense', args=[cast.odalys.public_id])}?fitting={fitting.public_id}"
    )
    fitting.refresh_from_db()
    assert (fitting.item_kept, fitting.size_kept, fitting.refit.family) == (mask, "S", "Alder")

    page = therapist.get(ended.url)
    row = page.context["rows"][0].form
    assert [row[name].value() for name in ("part", "quantity", "size_kept")] == [f"item:{mask.pk}", "1", "S"]
    sent = {f"rows-0-{name}": row[name].value() or "" for name in row.fields}
    head = page.context["form"]
    sent |= {name: head[name].value() or "" for name in head.fields}
    sent |= {"rows-TOTAL_FORMS": "1", "rows-INITIAL_FORMS": "1", "rows-0-billed": "no", "allow_short": ""}
    done = therapist.post(ended.url, sent)
    assert done.status_code == 302
    fitting.refresh_from_db()
    assert fitting.dispense.lines.get().size_kept == "S"


def test_a_mask_that_may_hold_magnets_is_not_offered_while_they_are_stopped(cast, therapist, mask):
    hidden = make_item(name="Clip mask", kind="mask", part_code="A7034", style="nasal", magnetic="unknown")
    cast.odalys.magnet_screens.update(voided_at=NOW, void_reason="never asked")
    fitting = make_fitting(cast.odalys)
    page = therapist.get(f"{address(fitting)}?item={hidden.pk}").content.decode()
    assert "Clip mask" not in page
    assert "1 mask not offered" in page
    assert "Alder nasal" in page
    refused = therapist.post(address(fitting), TRY | {"item": hidden.pk})
    assert refused.status_code == 422
    assert not fitting.tries.exists()


def test_what_is_refused_keeps_the_map(cast, therapist, mask):
    fitting = make_fitting(cast.odalys)
    sent = TRY | {"item": mask.pk, "size": "XXL", "leak_bridge": "strong", "next_change": "other straps"}
    refused = therapist.post(address(fitting), sent)
    page = refused.content.decode()
    assert refused.status_code == 422
    assert "Choose a size of this pack: S, M, L." in page
    assert "other straps" in page
    assert 'class="spot spot-strong" data-spot="bridge"' in page
    assert not fitting.tries.exists()


def test_ended_without_saying_which_was_kept_is_refused(cast, therapist, mask):
    fitting = make_fitting(cast.odalys)
    refused = therapist.post(address(fitting, "fitting_end"), {"outcome": "kept", "kept": "", "note": "x"})
    assert refused.status_code == 422
    assert "Choose the try whose mask was kept" in refused.content.decode()
    ended = therapist.post(address(fitting, "fitting_end"), {"outcome": "referred", "kept": ""}, follow=True)
    assert "referred to the prescriber" in ended.content.decode()


def test_voided_its_refit_goes_too(cast, therapist, mask):
    fitting = make_fitting(cast.odalys, outcome="kept", item_kept=mask)
    fitting.refit = Event.objects.create(patient=cast.odalys, event="refit", family="Alder", on=TODAY)
    fitting.save()
    answer = therapist.post(address(fitting, "fitting_void"), {"reason": "another patient"}, follow=True)
    assert "another patient" in answer.content.decode()
    assert Event.objects.get().is_voided


def test_a_try_that_cannot_be_kept_says_so_where_its_form_is_gone(cast, therapist, mask):
    """The mask is offered no longer, or the fitting was ended in another window."""
    fitting = make_fitting(cast.odalys)
    mask.is_offered = False
    mask.save()
    answer = therapist.post(address(fitting), TRY | {"item": mask.pk})
    assert (answer.status_code, "Nothing has been saved" in answer.content.decode()) == (422, True)
    mask.is_offered = True
    mask.save()
    therapist.post(address(fitting, "fitting_end"), {"outcome": "another", "kept": "", "note": ""})
    answer = therapist.post(address(fitting), TRY | {"item": mask.pk})
    assert (answer.status_code, "This fitting has ended" in answer.content.decode()) == (422, True)


def test_no_fitting_begins_where_no_location_is_open(cast, therapist):
    Location.objects.update(closed_on=TODAY)
    begun = therapist.get(reverse("therapist:fitting_begin", args=[cast.odalys.public_id]))
    assert (begun.status_code, "no open location" in begun.content.decode()) == (200, True)
