"""What is stored. Import models from here."""

from resupply.models.answers import (
    AnswerChannel,
    Condition,
    Contact,
    Handover,
    Outcome,
    RefillAnswer,
    RefillAnswerItem,
    StandingYes,
    Wish,
)
from resupply.models.backups import Backup
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
from resupply.models.doors import Door, PatientLink
from resupply.models.drafts import (
    DraftAct,
    DraftState,
    PolicyDraft,
    PolicyEffect,
    PolicyKind,
    PolicyRun,
    PolicyTotal,
    RunStep,
)
from resupply.models.emergency import EmergencyAccess
from resupply.models.equipment import CatalogueItem, Device, Humidifier, Magnetic, Order, OrderItem
from resupply.models.feeds import FeedEntry, Subscription
from resupply.models.first_steps import MailTest, StepAside
from resupply.models.fitting import (
    BodyPosition,
    Fitting,
    FittingOutcome,
    FittingTry,
    FollowUp,
    FollowUpPlanVersion,
    MatchingVersion,
    MatchRecord,
    TextReview,
)
from resupply.models.history import HistoryContext, HistoryLayout, HistoryMark, HistorySeal
from resupply.models.imports import FilePart, ImportBatch, Upload, UploadFile, UploadProblem, UploadState
from resupply.models.inbound import DeliveryReport, DeliveryState, InboundText
from resupply.models.jobs import Job, JobPart, JobState
from resupply.models.measures import SupplyMonth
from resupply.models.messaging import BadAddress, MessageTermsVersion, MessageWish
from resupply.models.nights import Night, NightImport
from resupply.models.open_days import ClosedDay
from resupply.models.outbox import Heartbeat, Message, MessageOccasion, MessageReason, MessageState, StopLink
from resupply.models.outlook import OutlookRow, OutlookRun
from resupply.models.overdue import Act, BulkAct, LineAct, SavedView, SupplyEnd
from resupply.models.packets import EvidencePacket
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
from resupply.models.plans import PlanChecklist, PlanEdition, PlanLine, PlanState, shown
from resupply.models.policies import CleaningChoice, ClinicTermsVersion, LifeVersion
from resupply.models.proofs import Proof, ProofMethod
from resupply.models.questions import QuestionLink, QuestionPart, QuestionState, RefillQuestion
from resupply.models.reads import PatientRead, ReadKind, notice, noticing
from resupply.models.recalls import SETTLES, RecallContact, RecallNotice, RecallOutcome
from resupply.models.safety import MagnetScreen, Recall, Said
from resupply.models.sharing import Integration, SharedRead, SharedRecord, SharedResource
from resupply.models.stock import BackOrder, Movement, StockCount, StockLevel, StockMovement, StockTarget
from resupply.models.told import NEED_A_PERSON, CleaningTick, PatientReport, Told

__all__ = [
    "LARGEST_QUANTITY",
    "NEED_A_PERSON",
    "SETTLES",
    "Act",
    "AllowanceVersion",
    "AnswerChannel",
    "BackOrder",
    "Backup",
    "BadAddress",
    "BodyPosition",
    "BulkAct",
    "CatalogueItem",
    "Channel",
    "CleaningChoice",
    "CleaningTick",
    "ClinicTermsVersion",
    "ClosedDay",
    "Condition",
    "Consent",
    "Contact",
    "Coverage",
    "DeliveryReport",
    "DeliveryState",
    "Device",
    "Dispense",
    "DispenseLine",
    "Door",
    "DraftAct",
    "DraftState",
    "EmergencyAccess",
    "Event",
    "EventType",
    "EvidencePacket",
    "FeedEntry",
    "FilePart",
    "FindToken",
    "Fitting",
    "FittingOutcome",
    "FittingTry",
    "FollowUp",
    "FollowUpPlanVersion",
    "Given",
    "Handover",
    "Heartbeat",
    "HistoryContext",
    "HistoryLayout",
    "HistoryMark",
    "HistorySeal",
    "Humidifier",
    "ImportBatch",
    "InboundText",
    "Integration",
    "Job",
    "JobPart",
    "JobState",
    "Language",
    "LifeVersion",
    "LineAct",
    "Location",
    "MagnetScreen",
    "Magnetic",
    "MailTest",
    "MatchRecord",
    "MatchingVersion",
    "Message",
    "MessageOccasion",
    "MessageReason",
    "MessageState",
    "MessageTermsVersion",
    "MessageWish",
    "Movement",
    "Night",
    "NightImport",
    "Notice",
    "Order",
    "OrderItem",
    "Outcome",
    "OutlookRow",
    "OutlookRun",
    "Parcel",
    "Patient",
    "PatientLink",
    "PatientRead",
    "PatientReport",
    "PatientStatus",
    "Payer",
    "PlanChecklist",
    "PlanEdition",
    "PlanLine",
    "PlanState",
    "PolicyDraft",
    "PolicyEffect",
    "PolicyKind",
    "PolicyRun",
    "PolicyTotal",
    "Proof",
    "ProofMethod",
    "QuestionLink",
    "QuestionPart",
    "QuestionState",
    "ReadKind",
    "Recall",
    "RecallContact",
    "RecallNotice",
    "RecallOutcome",
    "RefillAnswer",
    "RefillAnswerItem",
    "RefillQuestion",
    "RefillRuleVersion",
    "RefillSource",
    "Role",
    "RunStep",
    "Said",
    "SavedView",
    "SharedRead",
    "SharedRecord",
    "SharedResource",
    "Staff",
    "StandingYes",
    "StepAside",
    "StockCount",
    "StockLevel",
    "StockMovement",
    "StockTarget",
    "StopLink",
    "Subscription",
    "SuppliedBy",
    "SupplyEnd",
    "SupplyMonth",
    "TextReview",
    "Told",
    "Upload",
    "UploadFile",
    "UploadProblem",
    "UploadState",
    "Voidable",
    "Wish",
    "notice",
    "noticing",
    "shown",
]
