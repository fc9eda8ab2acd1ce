"""The tables of the bench: formulas and their versions, batches and what was weighed into them."""

from production.models.batches import Batch, BatchLine, CheckResult, StepSignature, Weighing
from production.models.formulas import Check, Formula, FormulaVersion, Line, LineSubstitute, Step

__all__ = [
    "Batch",
    "BatchLine",
    "Check",
    "CheckResult",
    "Formula",
    "FormulaVersion",
    "Line",
    "LineSubstitute",
    "Step",
    "StepSignature",
    "Weighing",
]
