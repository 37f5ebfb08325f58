"""The leak map: a drawn face with the places where a style may leak, and the list beside it.

The list is the form, the face shows it and can be pressed; marks differ in size and shape, not by colour
alone. Coordinates are those of `templates/therapist/_leak_map.html` (240 by 300).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from django import forms

from resupply.rules import fitting
from resupply.rules.fitting import Leak

LEAK_WORDS = {Leak.NONE: "none", Leak.SLIGHT: "slight", Leak.STRONG: "strong"}

POINTS: Mapping[str, tuple[tuple[int, int], ...]] = {
    "bridge": ((120, 122),),
    "eyes": ((94, 140), (146, 140)),
    "cheeks": ((80, 192), (160, 192)),
    "nostrils": ((107, 180), (133, 180)),
    "upper_lip": ((120, 194),),
    "mouth": ((120, 216),),
    "chin": ((120, 250),),
}
"""Where each place lies on the face; two points for places on both sides."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the face: its name, its points, how much it leaks, its field in the list (None: shown)."""

    site: str
    name: str
    points: tuple[tuple[int, int], ...]
    leak: str
    field: forms.BoundField | None = None

    @property
    def word(self) -> str:
        """How much it leaks, in words."""
        return LEAK_WORDS[Leak(self.leak)]


def leak_fields(style: str) -> dict[str, forms.ChoiceField]:
    """The list as form fields, by name (`leak_<site>`); none without a style."""
    return {
        f"leak_{site}": forms.ChoiceField(
            label=fitting.all_sites()[site].name["en"],
            choices=list(LEAK_WORDS.items()),
            required=False,
            initial="none",
            widget=forms.RadioSelect,
        )
        for site in (fitting.sites(style) if style else ())
    }


def spots(style: str, leaks: Mapping[str, str], form: forms.Form | None = None) -> list[Spot]:
    """The places of a style from above, as marked; with `form`, each with its field `leak_<site>`."""
    found = []
    for site in fitting.sites(style):
        field = form[f"leak_{site}"] if form is not None else None
        leak = (field.value() if field is not None else leaks.get(site)) or Leak.NONE.value
        name = fitting.all_sites()[site].name["en"]
        found.append(Spot(site, name, POINTS[site], leak if leak in set(Leak) else "none", field))
    return found


def summary(style: str, leaks: Mapping[str, str]) -> str:
    """A map in words: `bridge of the nose strong, chin slight`, or `no leak`."""
    marked = [spot for spot in spots(style, leaks) if spot.leak != Leak.NONE]
    return ", ".join(f"{spot.name.lower()} {spot.word}" for spot in marked) or "no leak"
