"""Tables. Models import neither Flask nor analytics, and never commit."""

from service.db import Base
from service.models.access import AccessEvent
from service.models.catalogue import *  # noqa: F403
from service.models.estimate import Estimate, EstimateRelease, StaleComponent
from service.models.facts import (
    EngineChange,
    HoursAssumption,
    JoinAgreement,
    LineDate,
    MachineJoin,
    MachinePlate,
    ShopPolicy,
)
from service.models.idempotency import KeptReply
from service.models.import_job import ImportJob, ShopColumn, ShopFormat
from service.models.inspection import Finding, Inspection, Photo, StripDown
from service.models.intake import Doubt, ImportBatch, ShopWord
from service.models.job import Job, RateBucket
from service.models.limit_edit import LimitEdit
from service.models.machine import (
    Machine,
    MachineBefore,
    MachineFamily,
    MachineMake,
    MachineModel,
    OdometerEntry,
    OdometerSegment,
)
from service.models.person import Membership, PasswordLink, Person, SignInBrake, WebSession
from service.models.pool import (
    PoolCell,
    PoolCellShare,
    PoolFile,
    PoolMembership,
    PoolOwnCount,
    PoolPublication,
    PoolTrustedKey,
)
from service.models.pricing import ShopPrice
from service.models.shop import ApiToken, Shop
from service.models.work import JobCard, JobLine, LineLink, Measurement

__all__ = [
    "AccessEvent",
    "ApiToken",
    "Base",
    "Doubt",
    "EngineChange",
    "Estimate",
    "EstimateRelease",
    "Finding",
    "HoursAssumption",
    "ImportBatch",
    "ImportJob",
    "Inspection",
    "Job",
    "JobCard",
    "JobLine",
    "JoinAgreement",
    "KeptReply",
    "LimitEdit",
    "LineDate",
    "LineLink",
    "Machine",
    "MachineBefore",
    "MachineFamily",
    "MachineJoin",
    "MachineMake",
    "MachineModel",
    "MachinePlate",
    "Measurement",
    "Membership",
    "OdometerEntry",
    "OdometerSegment",
    "PasswordLink",
    "Person",
    "Photo",
    "PoolCell",
    "PoolCellShare",
    "PoolFile",
    "PoolMembership",
    "PoolOwnCount",
    "PoolPublication",
    "PoolTrustedKey",
    "RateBucket",
    "Shop",
    "ShopColumn",
    "ShopFormat",
    "ShopPolicy",
    "ShopPrice",
    "ShopWord",
    "SignInBrake",
    "StaleComponent",
    "StripDown",
    "WebSession",
]
