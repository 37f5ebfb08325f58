"""What is stored. Import models from here."""

from resupply.models.base import Voidable
from resupply.models.dispensing import (
    LARGEST_QUANTITY,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    Given,
    ImportBatch,
    SuppliedBy,
)
from resupply.models.equipment import CatalogueItem, Device, Humidifier, Magnetic, Order, OrderItem
from resupply.models.feeds import FeedEntry, Subscription
from resupply.models.outbox import Heartbeat, Message, MessageReason, MessageState
from resupply.models.payers import AllowanceVersion, Coverage, Payer, RefillRuleVersion, RefillSource
from resupply.models.people import (
    Channel,
    Consent,
    FindToken,
    Language,
    Location,
    Patient,
    PatientStatus,
    Role,
    Staff,
)
from resupply.models.plans import PlanChecklist, PlanLine, PlanState
from resupply.models.policies import CleaningChoice, ClinicTermsVersion, LifeVersion

__all__ = [
    "LARGEST_QUANTITY",
    "AllowanceVersion",
    "CatalogueItem",
    "Channel",
    "CleaningChoice",
    "ClinicTermsVersion",
    "Consent",
    "Coverage",
    "Device",
    "Dispense",
    "DispenseLine",
    "Event",
    "EventType",
    "FeedEntry",
    "FindToken",
    "Given",
    "Heartbeat",
    "Humidifier",
    "ImportBatch",
    "Language",
    "LifeVersion",
    "Location",
    "Magnetic",
    "Message",
    "MessageReason",
    "MessageState",
    "Order",
    "OrderItem",
    "Patient",
    "PatientStatus",
    "Payer",
    "PlanChecklist",
    "PlanLine",
    "PlanState",
    "RefillRuleVersion",
    "RefillSource",
    "Role",
    "Staff",
    "Subscription",
    "SuppliedBy",
    "Voidable",
]
