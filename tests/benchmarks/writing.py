"""Writing a workload into an empty database: plain rows with keys of their own, many at once.

Needs django.setup() before it is imported.
"""

from __future__ import annotations

import random
import uuid
from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta
from fractions import Fraction
from functools import cache
from itertools import islice
from typing import Any

from django.core.management.color import no_style
from django.db import DEFAULT_DB_ALIAS, connection, connections, models, transaction

from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Lot,
    Movement,
    Offer,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.numbers import fold
from inventory.quantities import show_percent, show_quantity
from production.models import Batch, BatchLine, Formula, FormulaVersion, Line, LineSubstitute, Weighing
from tests.benchmarks.sizes import FIRST_DAY, Size
from tests.benchmarks.workload import PERCENT, RECORDED_AT, Kept, Stored, Workload, noon_of

ROWS_AT_ONCE = 5000

Row = dict[str, Any]


def fill(size: Size, *, seed: int = 1) -> None:
    """Write the workshop of this size into the empty database, in one transaction."""
    with transaction.atomic():
        write(Workload(size, random.Random(seed)))
        _restart_numbering()
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")


def write(workload: Workload) -> None:
    """Insert everything in an order that foreign keys allow."""
    _insert(Item, workload.items)
    _insert(Party, [*workload.suppliers, *workload.customers])
    _insert(Offer, workload.offers)
    _insert(
        Formula,
        (Formula(pk=row.version_pk, code=f"F-{row.item.code}", item=row.item) for row in workload.methods.values()),
    )
    _insert(FormulaVersion, _versions(workload))
    _insert(Line, _lines(workload))
    _insert(LineSubstitute, _substitutes(workload))
    _insert(PurchaseOrder, workload.orders)
    _insert(PurchaseOrderLine, workload.order_lines)
    _insert(Demand, workload.demands)
    _insert(Transformation, workload.transformations)
    _insert(Batch, workload.batches)
    _insert(Lot, (_lot_row(lot) for lot in workload.lots))
    _insert(Portion, (_portion_row(portion) for lot in workload.lots for portion in lot.portions))
    _insert(Dispatch, workload.dispatches)
    _insert(DispatchLine, workload.dispatch_lines)
    _insert(StockEvent, _events(workload))
    _insert(Movement, rows_of_movements(workload))
    _insert(Reservation, workload.reservations)
    _insert(BatchLine, workload.sheet_lines)
    _insert(Weighing, _weighing_rows(workload))


def _versions(workload: Workload) -> Iterator[FormulaVersion]:
    for method in workload.methods.values():
        mixes = method.basis == PERCENT
        yield FormulaVersion(
            pk=method.version_pk,
            formula_id=method.version_pk,
            version=1,
            basis=method.basis,
            yield_percent=980_000 if mixes else 990_000,
            loss_mg=20_000 if mixes else 0,
            status="approved",
            min_batch=500_000 if mixes else 12,
            batch_multiple=1000 if mixes else 12,
            max_batch=15_000_000 if mixes else None,
            approved_at=noon_of(FIRST_DAY - timedelta(days=300)),
        )


def _lines(workload: Workload) -> Iterator[Line]:
    pk = 0
    for method in workload.methods.values():
        mixes = method.basis == PERCENT
        for position, (item, amount) in enumerate(method.lines, start=1):
            pk += 1
            qs = mixes and item.drawn
            per_unit = Fraction(0 if mixes else amount)
            yield Line(
                pk=pk,
                version_id=method.version_pk,
                position=position,
                phase="ABCD"[position * 4 // (len(method.lines) + 1)],
                item=item,
                percent=int(amount) if mixes and not qs else None,
                qs=qs,
                numerator=None if mixes else per_unit.numerator,
                denominator=None if mixes else per_unit.denominator,
                amount_written="qs" if qs else _as_written(method.basis, amount, item),
                single_lot=not mixes and item.kind == "intermediate",
            )


def _as_written(basis: str, amount: Fraction | int, item: Item) -> str:
    """A share such as "12.5"; for one unit "49.5 g" or "1 pc / 12"."""
    if basis == PERCENT:
        return show_percent(int(amount))
    per_unit = Fraction(amount)
    whole = show_quantity(per_unit.numerator, item.measure)
    return whole if per_unit.denominator == 1 else f"{whole} / {per_unit.denominator}"


def _substitutes(workload: Workload) -> Iterator[LineSubstitute]:
    """Every fiftieth line may take another raw material."""
    pk = line_pk = 0
    raws = workload.group["RAW"]
    for method in workload.methods.values():
        for item, _ in method.lines:
            line_pk += 1
            other = raws[line_pk % len(raws)]
            if line_pk % 50 == 0 and item.kind == "raw" and not item.drawn and other.pk != item.pk:
                pk += 1
                yield LineSubstitute(pk=pk, line_id=line_pk, item=other, ratio="1.25")


def _events(workload: Workload) -> Iterator[Row]:
    """How each lot came, then what happened since. The uid is the number: equal seeds, equal rows."""
    for lot in workload.lots:
        yield {
            "id": lot.pk,
            "uid": uuid.UUID(int=lot.pk),
            "kind": "opening" if lot.transformation_pk is None else "made",
            "happened_at": noon_of(lot.received_on),
            "recorded_at": RECORDED_AT,
            "transformation_id": lot.transformation_pk,
        }
    for pk, row in enumerate(workload.happened, start=len(workload.lots) + 1):
        yield {
            "id": pk,
            "uid": uuid.UUID(int=pk),
            "kind": row.kind,
            "happened_at": noon_of(row.on),
            "recorded_at": RECORDED_AT,
            "transformation_id": row.transformation_pk,
            "dispatch_line_id": row.dispatch_line_pk,
        }


def rows_of_movements(workload: Workload) -> Iterator[Row]:
    moved = [
        (lot.pk, portion, portion.arrived, lot.transformation_pk)
        for lot in workload.lots
        for portion in lot.portions
        if portion.arrived
    ]
    moved += [
        (event_pk, row.portion, -row.quantity, row.transformation_pk)
        for event_pk, row in enumerate(workload.happened, start=len(workload.lots) + 1)
    ]
    for pk, (event_pk, portion, quantity, making_pk) in enumerate(moved, start=1):
        yield {
            "id": pk,
            "event_id": event_pk,
            "portion_id": portion.pk,
            "lot_id": portion.lot.pk,
            "quantity": quantity,
            "making_id": making_pk,
            "in_pieces": portion.lot.item.measure == "count",
        }


def _weighing_rows(workload: Workload) -> Iterator[Weighing]:
    event_of = {id(row): pk for pk, row in enumerate(workload.happened, start=len(workload.lots) + 1)}
    for pk, (line, row) in enumerate(workload.weighings, start=1):
        yield Weighing(pk=pk, line=line, event_id=event_of[id(row)], lot_id=row.portion.lot.pk, quantity=row.quantity)


def _lot_row(lot: Stored) -> Row:
    return {
        "id": lot.pk,
        "item_id": lot.item.pk,
        "number": lot.number,
        "number_folded": fold(lot.number),
        "origin": "opening" if lot.transformation_pk is None else "made",
        "status": lot.status,
        "released_by": "by_decision" if lot.status == "released" else "",
        "received_on": lot.received_on,
        "available_on": lot.available_on,
        "expires_on": lot.expires_on,
        "transformation_id": lot.transformation_pk,
    }


def _portion_row(portion: Kept) -> Row:
    return {
        "id": portion.pk,
        "lot_id": portion.lot.pk,
        "place": portion.place,
        "opened_on": portion.opened_on,
        "on_hand": portion.on_hand,
        "reserved": portion.reserved,
    }


def _insert(model: type[models.Model], rows: Iterable[models.Model | Row]) -> None:
    """Plain INSERTs, many at once. A row is an instance, or for the long tables its columns; blanks have defaults."""
    fields = list(model._meta.local_concrete_fields)
    defaults = {field.attname: field.get_default() for field in fields}
    writers = [(field.attname, _writer(field)) for field in fields]
    quote = connection.ops.quote_name
    columns = ", ".join(quote(field.column) for field in fields)
    statement = f"INSERT INTO {quote(model._meta.db_table)} ({columns}) VALUES ({', '.join(['%s'] * len(fields))})"
    waiting = (defaults | (row if isinstance(row, dict) else vars(row)) for row in rows)
    with connection.cursor() as cursor:
        while some := list(islice(waiting, ROWS_AT_ONCE)):
            cursor.executemany(statement, [[write(row[name]) for name, write in writers] for row in some])


def _writer(field: models.Field) -> Callable[[Any], Any]:
    """How a column's value is given to the driver; a day is converted once."""
    database = connections[DEFAULT_DB_ALIAS]  # not through the proxy, which looks it up at every touch

    def write(value: Any) -> Any:
        return field.get_db_prep_save(value, database)

    return cache(write) if isinstance(field, models.DateField) else write


def _restart_numbering() -> None:
    """Rows were given their keys: where the database numbers by sequences, let them go on after the last."""
    tables = [
        Item, Party, Offer, Formula, FormulaVersion, Line, LineSubstitute, PurchaseOrder, PurchaseOrderLine, Demand,
        Transformation, Lot, Portion, Dispatch, DispatchLine, StockEvent, Movement, Reservation, BatchLine, Weighing,
    ]  # fmt: skip
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), tables):
            cursor.execute(statement)
