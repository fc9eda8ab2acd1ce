"""Faults of brought tables: gathered, capped, and told in one voice. Imports nothing of Django."""

from __future__ import annotations

from dataclasses import dataclass, field

from inventory.errors import BadInput, Fault

MAX_FAULTS = 200
_SHOWN_CHARACTERS = 100


def shown(value: str) -> str:
    """A value as it may stand in a message: one line, no control characters, not endless."""
    plain = "".join(sign if sign.isprintable() else " " for sign in value)
    return plain if len(plain) <= _SHOWN_CHARACTERS else plain[:_SHOWN_CHARACTERS] + "..."


@dataclass(slots=True)
class Faults:
    """Every fault found, in the order of finding; only the first ``MAX_FAULTS`` are kept, all are counted."""

    kept: list[Fault] = field(default_factory=list)
    count: int = 0

    def add(self, place: str, row: int | None, column: str, value: str, accepted: str) -> None:
        self.count += 1
        if len(self.kept) < MAX_FAULTS:
            self.kept.append(Fault(field=column, value=shown(value), accepted=accepted, row=row, file=place))

    def __bool__(self) -> bool:
        return self.count > 0

    @property
    def left_out(self) -> int:
        return self.count - len(self.kept)

    def refuse(self) -> None:
        """Raise LoadRefused when there is any fault."""
        if self:
            raise LoadRefused(self.kept, self.left_out)


class LoadRefused(BadInput):
    """The tables have faults; nothing was changed. ``faults`` are shown, ``left_out`` more were found."""

    def __init__(self, faults: list[Fault], left_out: int = 0) -> None:
        count = len(faults) + left_out
        super().__init__(
            "1 fault; nothing was loaded" if count == 1 else f"{count} faults; nothing was loaded",
            code="tables_refused",
            faults=faults,
            more_faults=left_out,
        )
        self.left_out = left_out


def sentence_of(fault: Fault) -> str:
    """``lots.csv row 2 column quantity: "-400 g"; accepted: ...``; a fault of a whole file or row names no column."""
    if fault.field or not fault.file:
        return fault.sentence()
    row = f" row {fault.row}" if fault.row is not None else ""
    value = f' "{fault.value}";' if fault.value else ""
    return f"{fault.file}{row}:{value} accepted: {fault.accepted}"
