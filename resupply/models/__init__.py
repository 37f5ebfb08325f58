"""What is stored. Import models from here."""

from resupply.models.answers import (
    AnswerChannel,
    Condition,
    Contact,
    Handover,
    Outcome,
    RefillAnswer,
    RefillAnswerItem,
    Wish,
)
from resupply.models.base import Voidable
from resupply.models.dispensing import (
    LARGEST_QUANTITY,
    Dispense,
    DispenseLine,
    Event,
    EventType,
    Given,
    Notice,
    Parcel,
    SuppliedBy,
)
from resupply.models.equipment import CatalogueItem, Device, Humidifier, Magnetic, Order, OrderItem
from resupply.models.feeds import FeedEntry, Subscription
from resupply.models.imports import ImportBatch, Upload, UploadFile, UploadState
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
from resupply.models.proofs import Proof, ProofMethod
from resupply.models.safety import MagnetScreen, Recall, Said
from resupply.models.stock import BackOrder, Movement, StockCount, StockLevel, StockMovement, StockTarget

__all__ = [
    "LARGEST_QUANTITY",
    "AllowanceVersion",
    "AnswerChannel",
    "BackOrder",
    "CatalogueItem",
    "Channel",
    "CleaningChoice",
    "ClinicTermsVersion",
    "Condition",
    "Consent",
    "Contact",
    "Coverage",
    "Device",
    "Dispense",
    "DispenseLine",
    "Event",
    "EventType",
    "FeedEntry",
    "FindToken",
    "Given",
    "Handover",
    "Heartbeat",
    "Humidifier",
    "ImportBatch",
    "Language",
    "LifeVersion",
    "Location",
    "MagnetScreen",
    "Magnetic",
    "Message",
    "MessageReason",
    "MessageState",
    "Movement",
    "Notice",
    "Order",
    "OrderItem",
    "Outcome",
    "Parcel",
    "Patient",
    "PatientStatus",
    "Payer",
    "PlanChecklist",
    "PlanLine",
    "PlanState",
    "Proof",
    "ProofMethod",
    "Recall",
    "RefillAnswer",
    "RefillAnswerItem",
    "RefillRuleVersion",
    "RefillSource",
    "Role",
    "Said",
    "Staff",
    "StockCount",
    "StockLevel",
    "StockMovement",
    "StockTarget",
    "Subscription",
    "SuppliedBy",
    "Upload",
    "UploadFile",
    "UploadState",
    "Voidable",
    "Wish",
]
