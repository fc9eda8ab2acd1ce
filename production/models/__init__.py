"""The tables of the bench: formulas, batches and what was weighed into them, and studies of how it keeps."""

from production.models.batches import Batch, BatchLine, CheckResult, StepSignature, Weighing
from production.models.formulas import Check, Formula, FormulaVersion, Line, LineSubstitute, Step
from production.models.stability import (
    Protocol,
    ProtocolCondition,
    ProtocolTest,
    Pull,
    PullRecord,
    PullTime,
    Reading,
    Study,
    StudyCondition,
    StudyTest,
)

__all__ = [
    "Batch",
    "BatchLine",
    "Check",
    "CheckResult",
    "Formula",
    "FormulaVersion",
    "Line",
    "LineSubstitute",
    "Protocol",
    "ProtocolCondition",
    "ProtocolTest",
    "Pull",
    "PullRecord",
    "PullTime",
    "Reading",
    "Step",
    "StepSignature",
    "Study",
    "StudyCondition",
    "StudyTest",
    "Weighing",
]
