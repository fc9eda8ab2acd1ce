"""Firm batches as columns. Pure; the standard library and numpy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from planner.engine.columns import Columns, whole_numbers
from planner.engine.problem import NO_PRIORITY, NOTHING_BY_POSITION, Batch, Formula
from planner.engine.result import PlanError


class BatchColumns(Columns[Batch]):
    """``Problem.batches`` by column; a row becomes a ``Batch`` where one is asked for.

    ``formula`` is a place in ``Problem.formulas``; a blank priority is ``NO_PRIORITY``. ``weighed`` and ``required``,
    which few batches have, are kept by the batch's place. Texts are lists of str, ``trial`` is bool, the rest int64.
    """

    def __init__(
        self,
        formulas: Sequence[Formula],
        *,
        code: Sequence[str],
        formula: np.ndarray,
        charge: np.ndarray,
        planned_for: np.ndarray,
        status: Sequence[str],
        priority: np.ndarray,
        trial: np.ndarray,
        weighed: Mapping[int, Mapping[int, int]],
        required: Mapping[int, Mapping[int, int]],
    ) -> None:
        self._formulas = formulas
        self.code, self.formula, self.charge, self.planned_for = code, formula, charge, planned_for
        self.status, self.priority, self.trial = status, priority, trial
        self.weighed, self.required = weighed, required

    @classmethod
    def of(cls, batches: Sequence[Batch], formulas: Sequence[Formula]) -> BatchColumns:
        """The columns of rows; what is columns already stays as it is. Raises PlanError ``unknown_formula``."""
        if isinstance(batches, BatchColumns):
            return batches
        places = {(formula.formula, formula.version): place for place, formula in enumerate(formulas)}
        for batch in batches:
            if (batch.formula, batch.version) not in places:
                message = f"batch {batch.batch}: no formula {batch.formula} {batch.version}"
                raise PlanError("unknown_formula", message)
        return cls(
            formulas,
            code=[batch.batch for batch in batches],
            formula=whole_numbers([places[batch.formula, batch.version] for batch in batches]),
            charge=whole_numbers([batch.charge for batch in batches]),
            planned_for=whole_numbers([batch.planned_for for batch in batches]),
            status=[batch.status for batch in batches],
            priority=whole_numbers([NO_PRIORITY if batch.priority is None else batch.priority for batch in batches]),
            trial=np.array([batch.trial for batch in batches], dtype=np.bool_),
            weighed={place: batch.weighed for place, batch in enumerate(batches) if batch.weighed},
            required={place: batch.required for place, batch in enumerate(batches) if batch.required},
        )

    def __len__(self) -> int:
        return len(self.code)

    def row(self, place: int) -> Batch:
        formula, priority = self._formulas[self.formula[place]], int(self.priority[place])
        return Batch(
            self.code[place],
            formula.formula,
            formula.version,
            int(self.charge[place]),
            int(self.planned_for[place]),
            self.status[place],
            None if priority == NO_PRIORITY else priority,
            bool(self.trial[place]),
            self.weighed.get(place, NOTHING_BY_POSITION),
            self.required.get(place, NOTHING_BY_POSITION),
        )
