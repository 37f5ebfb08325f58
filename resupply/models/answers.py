"""What patients said about their refills, and the calls and letters in which they were asked."""

import uuid

from django.conf import settings
from django.db import models
from django.db.models import Q

from resupply.models.base import Voidable, tracked
from resupply.models.equipment import KIND_CHOICES
from resupply.models.people import Channel, Patient


class AnswerChannel(models.TextChoices):
    """Where an answer came in."""

    IN_PERSON = "in_person", "In person"
    PHONE = "phone", "By telephone"
    MAIL = "mail", "By e-mail"
    TEXT = "text", "By text message"
    PAGE = "page", "On the patient's own page"
    POST = "post", "By post"


class Wish(models.TextChoices):
    """What the patient said to the refill as a whole. No reply is no record, and never a yes."""

    YES = "yes", "Yes"
    NOT_NOW = "not_now", "Not now"
    STOP = "stop", "Stop asking"


class Handover(models.TextChoices):
    """How the patient wants the parts."""

    COLLECT = "collect", "Collected here"
    SHIP = "ship", "Shipped"


class Condition(models.TextChoices):
    """How the part in use is, in the patient's words."""

    UNKNOWN = "unknown", "Not said"
    FINE = "fine", "Still fine"
    WORN = "worn", "Worn"
    LEAKS = "leaks", "Leaks"
    BROKEN = "broken", "Broken or lost"


@tracked
class RefillAnswer(Voidable):
    """A patient's own answer to a refill: who, when, by which channel. The desk ships from it.

    Record of the request as 42 CFR 410.38(d)(4) and the supplier contractors' documentation rules ask for it:
    patient or representative, items with their description, date of the request, the patient's own yes, and
    why the refill is needed.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="refill_answers")
    wish = models.CharField(max_length=8, choices=Wish)
    still_using = models.BooleanField(null=True)
    """"Are you still using your equipment?"; None: not asked."""
    contacted_on = models.DateField()
    """The patient's calendar date of the contact that brought the answer."""
    answered_at = models.DateTimeField()
    channel = models.CharField(max_length=10, choices=AnswerChannel)
    answered_by = models.CharField(max_length=160)
    relation = models.CharField(max_length=80, blank=True)
    """Relation to the patient; empty: the patient's own answer."""
    handover = models.CharField(max_length=8, choices=Handover, default=Handover.COLLECT)
    note = models.CharField(max_length=500, blank=True)
    is_late = models.BooleanField(default=False)
    """It came after its question had expired: kept, and shown to a person."""
    needs_person = models.BooleanField(default=False)
    """It says more than yes or no (a note, leaks, not using it any more, stop asking, late): somebody has to
    read it. Follows from the rest of the record, and kept so that the work list finds it.
    """
    handled_at = models.DateTimeField(null=True, blank=True)
    handled_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    handled_note = models.CharField(max_length=300, blank=True)
    form_key = models.UUIDField(null=True, unique=True, editable=False)
    """Key of the form that was sent: a second press of the button finds the first answer."""

    class Meta(Voidable.Meta):
        indexes = [
            models.Index(fields=["patient", "-answered_at"], name="refill_answer_newest"),
            models.Index(
                fields=["answered_at"],
                name="refill_answer_to_handle",
                condition=Q(needs_person=True, handled_at=None, voided_at=None),
            ),
        ]

    def __str__(self) -> str:
        return f"refill answer {self.public_id}"


@tracked
class RefillAnswerItem(models.Model):
    """One part within an answer: wanted or not, and why it is needed."""

    answer = models.ForeignKey(RefillAnswer, models.PROTECT, related_name="items")
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)
    part_code = models.CharField(max_length=8)
    description = models.CharField(max_length=160)
    wanted = models.BooleanField()
    quantity = models.PositiveSmallIntegerField(null=True, blank=True)
    """How many the patient asked for; None: as many as are suggested."""
    need = models.CharField(max_length=300, blank=True)
    condition = models.CharField(max_length=8, choices=Condition, default=Condition.UNKNOWN)
    left = models.PositiveSmallIntegerField(null=True, blank=True)
    """Unused ones the patient says they still have; None: not said."""

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["answer", "kind"], name="answer_names_a_kind_once"),
            models.CheckConstraint(
                condition=Q(wanted=False) | ~Q(need=""), name="wanted_part_says_why_it_is_needed"
            ),
        ]

    def __str__(self) -> str:
        return f"refill answer item {self.pk}"


class StandingYes(models.Model):
    """A wanted item that no later answer replaced and no dispense used up: one for a patient and kind.

    Derived from answers and dispenses, kept with them in their transactions (`services.standing`), so that
    the desk's list finds the few open ones among years of answers. It can be rebuilt.
    """

    item = models.OneToOneField(
        RefillAnswerItem, models.CASCADE, primary_key=True, related_name="standing_yes"
    )
    patient = models.ForeignKey(Patient, models.CASCADE, related_name="+", db_index=False)
    kind = models.CharField(max_length=20, choices=KIND_CHOICES)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["patient", "kind"], name="standing_yes_once")]

    def __str__(self) -> str:
        return f"standing yes {self.pk}"


class Outcome(models.TextChoices):
    """How a contact ended."""

    REACHED = "reached", "Reached"
    NO_ANSWER = "no_answer", "No answer"
    LEFT_WORD = "left_word", "Left a message"
    WRONG_NUMBER = "wrong_number", "Wrong number or address"
    NOT_WANTED = "not_wanted", "Does not want to be called"


@tracked
class Contact(Voidable):
    """A contact a member of staff made or tried: a call, a letter, a word at the counter."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, models.PROTECT, related_name="contacts")
    on = models.DateField()
    channel = models.CharField(max_length=8, choices=Channel, default=Channel.PHONE)
    outcome = models.CharField(max_length=12, choices=Outcome)
    note = models.CharField(max_length=500, blank=True)
    again_on = models.DateField(null=True, blank=True)
    """Not to be tried again before that day."""

    class Meta(Voidable.Meta):
        indexes = [models.Index(fields=["patient", "-on", "-id"], name="contact_newest")]

    def __str__(self) -> str:
        return f"contact {self.public_id}"
