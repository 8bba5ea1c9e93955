"""Quarantine and sales: batches and their looks, holds on selling, and the record of looks for a buyer.

`batches` holds what came in and what its looks are worth, `holds` what must not be sold yet, `inspection` what
a buyer may be shown.
"""

from pestvision.tanks.batches import (
    Batch,
    BatchPlan,
    BatchRisk,
    batch_called,
    batch_risk,
    batches_of,
    plan_of,
    risk_of,
)
from pestvision.tanks.holds import Hold, Why, holds
from pestvision.tanks.inspection import Inspected, InspectionRecord, inspection_record

__all__ = [
    "Batch",
    "BatchPlan",
    "BatchRisk",
    "Hold",
    "Inspected",
    "InspectionRecord",
    "Why",
    "batch_called",
    "batch_risk",
    "batches_of",
    "holds",
    "inspection_record",
    "plan_of",
    "risk_of",
]
