"""The clinic's shelf."""

from resupply.models import CatalogueItem


def mask_families() -> list[str]:
    """Mask families of the items offered, by name."""
    items = CatalogueItem.objects.filter(is_offered=True).exclude(family="")
    return list(items.order_by("family").values_list("family", flat=True).distinct())
