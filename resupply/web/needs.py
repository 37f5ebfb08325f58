"""Quick choices of why a part is needed, for staff who ask and for patients who answer by themselves."""

from resupply.models import Condition

NEEDS: dict[str, tuple[str, str]] = {
    "worn": ("Worn, time for a new one", Condition.WORN),
    "leaks": ("It leaks", Condition.LEAKS),
    "broken": ("Cracked, torn or broken", Condition.BROKEN),
    "lost": ("Lost", Condition.BROKEN),
    "unclean": ("Stained or smelling in spite of washing", Condition.WORN),
    "used_up": ("The last one is in use, none left", Condition.UNKNOWN),
}
"""Quick choices of why a part is needed: its words on record, and the condition they tell of."""
