"""A store of a million lots, written by bulk load: seeded rows in the order in which things happened.

Raw lots and packaging come, premixes are made of raws, bulks of raws and premixes, packed lots of a bulk and
packaging, and packed lots leave in several dispatches. Stock is carried, sampled, sent back, and mistakes are
corrected. Among all of it lie prepared origins: raw lots that reach a known number of lots, made all through the
time of their phase, so that their rows lie far apart. Balances agree with the ledger. Needs django.setup() before
it is imported.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TypeVar

from django.core.management.color import no_style
from django.db import connection, models, transaction

from inventory.models import (
    Demand,
    Dispatch,
    DispatchLine,
    Item,
    Lot,
    Movement,
    Party,
    Portion,
    PurchaseOrder,
    PurchaseOrderLine,
    Reservation,
    StockEvent,
    Transformation,
)
from inventory.numbers import fold

Moved = tuple[int, int, int]  # event, portion, quantity
Picked = TypeVar("Picked")

KG = 1_000_000  # mg
G = 1000
UNIT_MG = 50 * G  # of bulk in one packed unit
UNITS_IN_LOT = 60
LEFT_IN_VESSEL_MG = 20 * G
BLANK = r"\N"

# Of a hundred lots that come or are made together; the rest are packed lots.
IN_ROUND = {"raw": 18, "packaging": 6, "premix": 6, "bulk": 14}
LOTS_IN_ROUND = 100
LAST_DAY, DAYS = date(2025, 1, 1), 1000  # what the whole store spans
ITEMS = {"raw": 300, "packaging": 80, "premix": 40, "bulk": 100, "packed": 300}
KINDS = {"raw": "raw", "packaging": "packaging", "premix": "intermediate", "bulk": "intermediate", "packed": "product"}
COUNTED = frozenset({"packaging", "packed"})
SUPPLIERS, CUSTOMERS = 20, 500
# From how many of the latest portions a making or a dispatch takes.
RECENT = {"raw": 4000, "packaging": 1500, "premix": 600, "bulk": 300, "packed": 8000}

# The columns that are written of each table, in the order in which tables are written. The rest are blank.
COLUMNS: dict[type[models.Model], str] = {
    Item: "id code name kind measure inci cas gtin shelf_life_basis caps_life min_remaining_days safety_stock"
    " lead_time_days release_by release_days drawn storage caution",
    Party: "id code name role email phone address",
    PurchaseOrder: "id code supplier_id placed_at",
    PurchaseOrderLine: "id order_id item_id quantity received due_on closed_why",
    Demand: "id item_id quantity dispatched due_on customer_id reference closed_why",
    Transformation: "id code item_id planned_for made_on closed_at residue_mg evaporated_mg left_in_vessel_mg",
    Lot: "id item_id number number_folded origin status released_by supplier_lot maker_lot supplier_lot_folded"
    " maker_lot_folded received_on transformation_id trial note",
    Portion: "id lot_id place container set_apart on_hand reserved",
    Dispatch: "id code kind customer_id public_place dispatched_on reference",
    DispatchLine: "id dispatch_id lot_id quantity returned corrected demand_id",
    StockEvent: "id uid kind happened_at recorded_at why corrects_id transformation_id dispatch_line_id"
    " purchase_order_line_id",
    Movement: "id event_id portion_id lot_id quantity making_id in_pieces",
    Reservation: "id portion_id transformation_id quantity reserved_at",
}
ROWS_AT_ONCE = 400_000
# Keys of events are spread over all values as those of a real store are: an odd number times the row's own.
SPREAD, ALL_UIDS = 0x9E3779B97F4A7C15F39CC0605CEDC835, 2**128


@dataclass(frozen=True, slots=True)
class Origin:
    """A raw lot that ``reaches`` so many other lots."""

    lot_id: int
    reaches: int


class Recent:
    """The latest portions of one group, any of which is taken."""

    def __init__(self, most: int) -> None:
        self.most, self.next, self.portions = most, 0, list[int]()

    def add(self, portion: int) -> None:
        if len(self.portions) < self.most:
            self.portions.append(portion)
        else:
            self.portions[self.next] = portion
            self.next = (self.next + 1) % self.most


@dataclass(slots=True)
class Chain:
    """One origin and what is to be made of it, step by step: premixes, bulks of two of them, packed lots of a bulk."""

    origin: int  # the portion
    steps: list[str]
    made: int = 0
    portions: dict[str, list[int]] = field(default_factory=lambda: {"premix": [], "bulk": [], "packed": []})


def steps_of(reaches: int) -> list[str]:
    """What to make of an origin, evenly mixed, and never before that of which it is made."""
    premixes = max(1, reaches // 100)
    bulks = max(1, (reaches - premixes) // 5)
    made = {"premix": 0, "bulk": 0}
    steps = []
    for number in range(reaches):
        for group, whole in (("premix", premixes), ("bulk", bulks)):
            if made[group] < whole and made[group] * reaches <= number * whole:
                made[group] += 1
                steps.append(group)
                break
        else:
            steps.append("packed")
    return steps


class Store:
    """Grows in phases. Equal seeds, sizes and phases give equal rows."""

    def __init__(self, *, lots: int, movements: int, seed: int = 1) -> None:
        self.random = random.Random(seed).random
        self.lots_in_all, self.movements_in_all = lots, movements
        self.count = dict.fromkeys(COLUMNS, 0)
        self.uses = 0
        self.on_hand, self.lot_of, self.place_of = [0], [0], [""]  # by portion
        self.item_of = [0]  # by lot
        self.counted_items: set[int] = set()
        self.reserved: dict[int, int] = {}  # by portion
        self.first_item: dict[str, int] = {}
        self.recent = {group: Recent(most) for group, most in RECENT.items()}
        self.chains: list[Chain] = []
        self.to_mistake: list[int] = []  # portions of chains that another making will take by mistake
        self.waiting: dict[type[models.Model], list[str]] = {model: [] for model in COLUMNS}
        self.day = self.moment = ""

    def grow(self, *, to_lots: int, reaches: Sequence[int]) -> list[Origin]:
        """Go on until there are so many lots, and among the new ones origins that reach so many. Writes it all."""
        with checked_afterwards(), transaction.atomic():
            self._set_time()
            if not self.count[Lot]:
                self._begin()
                self._round(LOTS_IN_ROUND, 0.0)
            begun = self.count[Lot]
            self.chains = [Chain(self._receive("raw"), steps_of(each)) for each in reaches]
            while self.count[Lot] < to_lots:
                size = min(LOTS_IN_ROUND, to_lots - self.count[Lot])
                self._round(size, min(1.0, 1.1 * (self.count[Lot] + size - begun) / (to_lots - begun)))
                if sum(map(len, self.waiting.values())) > ROWS_AT_ONCE:
                    self._write()
            assert all(chain.made == len(chain.steps) for chain in self.chains)
            if self.count[Lot] == self.lots_in_all:
                self._set_aside()
            self._write_portions()
            self._write()
            restart_numbering()
        return [Origin(self.lot_of[chain.origin], len(chain.steps)) for chain in self.chains]

    # -- what happens ----------------------------------------------------------------------------------

    def _round(self, size: int, part: float) -> None:
        """So many lots more, of chains as much as makes up ``part`` of them, and as many movements as belong to it."""
        self._set_time()
        aim = self.count[Lot] + size
        for chain in self.chains:
            due = int(len(chain.steps) * part)
            while chain.made < due and self.count[Lot] < aim:
                self._make_of(chain)
        rest = aim - self.count[Lot]
        for group, count in IN_ROUND.items():
            for _ in range(min(-(-count * rest // LOTS_IN_ROUND), aim - self.count[Lot])):
                if group in ("raw", "packaging"):
                    self.recent[group].add(self._receive(group))
                else:
                    self.recent[group].add(self._make(group))
        while self.count[Lot] < aim:
            self.recent["packed"].add(self._make("packed"))
        wanted = self.movements_in_all * aim // self.lots_in_all
        while self.count[Movement] < wanted:
            self._leave(only=wanted - self.count[Movement] < 4)

    def _make_of(self, chain: Chain) -> None:
        """The next step of a chain. What is packed leaves like all that is packed; the chain alone uses the rest."""
        group, portions = chain.steps[chain.made], chain.portions
        if group == "premix":
            fed = [chain.origin]
        elif group == "bulk":
            fed = sorted({self._any(portions["premix"]), portions["premix"][-1]})
        else:
            fed = [self._any(portions["bulk"][-20:])]
        portion = self._make(group, fed)
        portions[group].append(portion)
        if group == "packed":
            self.recent[group].add(portion)
        elif portion % 3 == 0:
            self.to_mistake.append(portion)
        chain.made += 1

    def _make(self, group: str, fed: Sequence[int] = ()) -> int:
        """A making of what it is fed and of recent lots; answers the portion that came out."""
        item, making = self._item(group), self.count[Transformation] + 1
        if group == "packed":
            made, lost = self._fill(making, fed[0] if fed else self._stocked("bulk", 4 * UNIT_MG)), 0
        else:
            made, lost = self._mix(making, group, fed) - LEFT_IN_VESSEL_MG, LEFT_IN_VESSEL_MG
        self._row(Transformation, f"B{making}", item, self.day, self.day, self.moment, 0, 0, lost)
        portion = self._portion(self._lot(item, "made", making), "shelf")
        self._move("made", portion, made, making=making)
        if group == "bulk" or portion % 4 == 0:
            self._move("sampled", portion, -1 if group == "packed" else -5 * G)
        return self._carry(portion, "shop") if group == "packed" and portion % 2 else portion

    def _mix(self, making: int, group: str, fed: Sequence[int]) -> int:
        sources = [self._stocked("raw", 2 * KG) for _ in range(5 if group == "premix" else 12)]
        sources += fed or [self._stocked("raw" if group == "premix" else "premix", 200 * G)]
        went_in = 0
        for source in sources:
            quantity = min((100 + int(self.random() * 900)) * G, self.on_hand[source] // 40)
            self._use(making, source, quantity)
            went_in += quantity
        if not fed and self.to_mistake:
            # The jar of a chain was taken by mistake, and that was corrected: it leads nowhere.
            self._take_back(self._move("used", self.to_mistake.pop(), -10 * G, making=making), making=making)
        return went_in

    def _fill(self, making: int, bulk: int) -> int:
        units = max(1, min(UNITS_IN_LOT, self.on_hand[bulk] // 4 // UNIT_MG))
        self._use(making, bulk, units * UNIT_MG)
        for _ in range(3):
            self._use(making, self._stocked("packaging", units), units)
        return units

    def _use(self, making: int, portion: int, quantity: int) -> None:
        """A use; one in a hundred was misread first, and corrected."""
        self.uses += 1
        if self.uses % 100 == 0:
            self._take_back(self._move("used", portion, -quantity // 2 or -1, making=making), making=making)
        self._move("used", portion, -quantity, making=making)

    def _receive(self, group: str) -> int:
        """A delivery, for an order line unless the books just began; every second one is carried in part."""
        item, quantity = self._item(group), 400 * KG if group == "raw" else 20_000
        if self.count[Lot] < LOTS_IN_ROUND:
            portion = self._portion(self._lot(item, "opening"), "shelf")
            self._move("opening", portion, quantity)
            return portion
        place = self.count[PurchaseOrderLine] % 5
        if place == 0:
            order = self.count[PurchaseOrder] + 1
            self._row(PurchaseOrder, f"P{order}", 1 + order % SUPPLIERS, self.moment)
        due_on = date.fromisoformat(self.day) + timedelta(days=place)
        line = self._row(PurchaseOrderLine, self.count[PurchaseOrder], item, quantity, quantity, due_on, "")
        portion = self._portion(self._lot(item, "received"), "shelf")
        self._move("received", portion, quantity, order_line=line)
        return self._carry(portion, "bench") if portion % 2 else portion

    def _carry(self, portion: int, place: str) -> int:
        """All of a portion goes to another place; answers the portion there."""
        there, quantity = self._portion(self.lot_of[portion], place), self.on_hand[portion]
        event, _, _ = self._move("moved", portion, -quantity)
        self._movement(event, there, quantity)
        return there

    def _leave(self, *, only: bool) -> None:
        """Some units of a packed lot leave; of fifty lines one comes back in part, of three hundred one never left."""
        portion, quantity, line = self._stocked("packed", 4), 1 + int(self.random() * 3), self.count[DispatchLine] + 1
        returned = int(not only and line % 50 == 0)
        corrected = int(not only and line % 300 == 7)
        customer = 1 + SUPPLIERS + line // 4 % CUSTOMERS
        if line % 4 == 1:
            self._row(Dispatch, f"D{line}", "sale", customer, "", self.day, "")
        lot = self.lot_of[portion]
        demand: int | str = BLANK
        if line % 5 == 0:
            wanted = (self.item_of[lot], quantity, 0 if corrected else quantity, self.day, customer, f"W{line}", "")
            demand = self._row(Demand, *wanted)
        self._row(DispatchLine, self.count[Dispatch], lot, quantity, returned, corrected, demand)
        left = self._move("dispatched", portion, -quantity, line=line)
        if corrected:
            self._take_back(left, line=line)
        if returned:
            self._move("returned", portion, 1, line=line)

    def _set_aside(self) -> None:
        """Of the latest raws a part is reserved for makings that have not begun."""
        for portion in self.recent["raw"].portions[::4]:
            if self.on_hand[portion] > KG:
                making = self.count[Transformation] + 1
                self._row(Transformation, f"B{making}", self._item("bulk"), self.day, BLANK, BLANK, 0, 0, 0)
                self._row(Reservation, portion, making, 100 * G, self.moment)
                self.reserved[portion] = 100 * G

    # -- rows ------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        for group, count in ITEMS.items():
            self.first_item[group] = self.count[Item] + 1
            for number in range(1, count + 1):
                measure = "count" if group in COUNTED else "mass"
                code = f"{group.upper()}-{number:03}"
                facts = (code, code.title(), KINDS[group], measure, "", "", "", "", int(group == "raw"), 0, 0, 7)
                item = self._row(Item, *facts, "decision", 0, 0, "", "")
                if measure == "count":
                    self.counted_items.add(item)
        for number in range(1, SUPPLIERS + CUSTOMERS + 1):
            role = "supplier" if number <= SUPPLIERS else "customer"
            self._row(Party, f"{role.upper()}-{number}", f"{role.title()} {number}", role, "", "", "")

    def _set_time(self) -> None:
        day = LAST_DAY - timedelta(days=DAYS - DAYS * self.count[Lot] // self.lots_in_all)
        self.day, self.moment = day.isoformat(), f"{day.isoformat()} 12:00:00"

    def _any(self, among: Sequence[Picked]) -> Picked:
        return among[int(self.random() * len(among))]

    def _item(self, group: str) -> int:
        return self.first_item[group] + int(self.random() * ITEMS[group])

    def _stocked(self, group: str, least: int) -> int:
        """A recent portion that holds at least so much."""
        portions = self.recent[group].portions
        for _ in range(10_000):
            portion = portions[int(self.random() * len(portions))]
            if self.on_hand[portion] >= least:
                return portion
        raise RuntimeError(f"nothing is left of the latest {group} lots: fewer movements a lot would do")

    def _lot(self, item: int, origin: str, making: int | str = BLANK) -> int:
        number = f"L{self.count[Lot] + 1}"
        self.item_of.append(item)
        facts = (item, number, fold(number), origin, "released", "by_decision", "", "", "", "", self.day, making, 0, "")
        return self._row(Lot, *facts)

    def _portion(self, lot: int, place: str) -> int:
        self.on_hand.append(0)
        self.lot_of.append(lot)
        self.place_of.append(place)
        return len(self.on_hand) - 1

    def _move(
        self,
        kind: str,
        portion: int,
        quantity: int,
        *,
        making: int | str = BLANK,
        line: int | str = BLANK,
        order_line: int | str = BLANK,
        corrects: int | str = BLANK,
    ) -> Moved:
        """An event that moves one portion."""
        uid = (self.count[StockEvent] + 1) * SPREAD % ALL_UIDS
        reasons = (corrects, making, line, order_line)
        event = self._row(StockEvent, f"{uid:032x}", kind, self.moment, self.moment, "", *reasons)
        self._movement(event, portion, quantity, making)
        return event, portion, quantity

    def _take_back(self, moved: Moved, *, making: int | str = BLANK, line: int | str = BLANK) -> None:
        event, portion, quantity = moved
        self._move("corrected", portion, -quantity, making=making, line=line, corrects=event)

    def _movement(self, event: int, portion: int, quantity: int, making: int | str = BLANK) -> None:
        self.on_hand[portion] += quantity
        assert quantity
        assert self.on_hand[portion] >= 0
        lot = self.lot_of[portion]
        self._row(Movement, event, portion, lot, quantity, making, int(self.item_of[lot] in self.counted_items))

    def _row(self, model: type[models.Model], *values: object) -> int:
        """A row with the next key, which is answered."""
        self.count[model] = pk = self.count[model] + 1
        self.waiting[model].append("\t".join(map(str, (pk, *values))))
        return pk

    # -- writing ---------------------------------------------------------------------------------------

    def _write(self) -> None:
        for model, lines in self.waiting.items():
            if lines:
                write_lines(model, lines)
                lines.clear()

    def _write_portions(self) -> None:
        """All portions anew: their balances have changed since the phase before."""
        with connection.cursor() as cursor:
            emptied = "TRUNCATE" if connection.vendor == "postgresql" else "DELETE FROM"
            cursor.execute(f"{emptied} {Portion._meta.db_table}")
        self.count[Portion] = 0
        for pk in range(1, len(self.on_hand)):
            place, reserved = self.place_of[pk], self.reserved.get(pk, 0)
            self._row(Portion, self.lot_of[pk], place, "", 0, self.on_hand[pk], reserved)


def write_lines(model: type[models.Model], lines: Sequence[str]) -> None:
    """Rows as text, a tab between columns, in the order of ``COLUMNS``."""
    table, columns = model._meta.db_table, COLUMNS[model].split()
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {table} ({', '.join(columns)}) FROM STDIN") as copy:
                for begin in range(0, len(lines), 1000):
                    copy.write("\n".join(lines[begin : begin + 1000]) + "\n")
        else:
            places = ", ".join(["%s"] * len(columns))
            rows = ([None if cell == BLANK else cell for cell in line.split("\t")] for line in lines)
            cursor.executemany(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({places})", rows)


@contextmanager
def checked_afterwards() -> Iterator[None]:
    """On PostgreSQL foreign keys, unique constraints and indexes go for the load and are built after it, all of them.

    Checks and triggers stay. The load inside is one transaction; what is built after it is checked as a whole.
    """
    if connection.vendor != "postgresql":
        yield
        return
    tables = [model._meta.db_table for model in COLUMNS]
    with connection.cursor() as cursor:
        cursor.execute("SET maintenance_work_mem = '512MB'")
        cursor.execute(
            "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint"
            " WHERE contype IN ('u', 'f')"
            " AND (conrelid::regclass::text = ANY(%s) OR confrelid::regclass::text = ANY(%s))"
            " ORDER BY contype DESC, conname",
            [tables, tables],
        )
        constraints = cursor.fetchall()
        cursor.execute(
            "SELECT indexrelid::regclass::text, pg_get_indexdef(indexrelid) FROM pg_index"
            " WHERE indrelid::regclass::text = ANY(%s)"
            " AND NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = indexrelid AND contype IN ('u', 'p'))",
            [tables],
        )
        indexes = cursor.fetchall()
        for table, name, _ in constraints[::-1]:
            cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"')
        for name, _ in indexes:
            cursor.execute(f"DROP INDEX {name}")
    yield
    with connection.cursor() as cursor:
        for table, name, definition in constraints:
            cursor.execute(f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {definition}')
        for _, definition in indexes:
            cursor.execute(definition)


def restart_numbering() -> None:
    """Rows were given their keys: where the database numbers by sequences, let them go on after the last."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(COLUMNS)):
            cursor.execute(statement)


def settle() -> None:
    """What a running database does by itself in time: statistics for the planner, pages known to be visible to all."""
    with connection.cursor() as cursor:
        cursor.execute("VACUUM (ANALYZE)" if connection.vendor == "postgresql" else "ANALYZE")
