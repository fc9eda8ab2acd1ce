"""What the demo's workshop has of unknown origin, awaits and is asked for, as rows of the tables that people bring."""

from __future__ import annotations

from dataclasses import dataclass

from planner.demo.days import Days
from planner.demo.materials import BATHS, COUNTER, HERBS, LAB, OILS, PACKS, SHOP, Row
from planner.demo.past import MARKET, STORE


def lot(item: str, number: str, quantity: str, status: str = "released", **more: object) -> Row:
    row = {"item": item, "lot": number, "quantity": quantity, "status": status, "place": STORE}
    return {**row, **{key: str(value) for key, value in more.items()}}


def lots(days: Days) -> list[Row]:
    """Stock that stood there before the books began: older sacks, opened tubs, the doubtful and the expired."""
    return [
        # White clay is what next week lacks, though three lots of it stand in the store.
        lot("KAOLIN", "OS-01", "1 kg", received_on=days.ago(900), expires_on=days.ahead(-20), unit_cost="2.8"),
        lot("KAOLIN", "OS-02", "2.5 kg", "quarantine", received_on=days.ago(6), supplier=HERBS, supplier_lot="SM 2402"),
        lot("BEESWAX", "OS-03", "350 g", received_on=days.ago(300), unit_cost="15.2"),
        lot("CANDELILLA", "OS-04", "1 kg", received_on=days.ago(210), supplier=OILS, unit_cost="28"),
        lot("PRESERVATIVE", "OS-05", "40 g", received_on=days.ago(600), expires_on=days.ahead(-45)),
        lot("LAVENDER-EO", "OS-06", "60 g", "held", received_on=days.ago(240), supplier=HERBS, supplier_lot="SM 1988"),
        lot("JAR-100", "OS-07", "24 pc", "rejected", received_on=days.ago(200), supplier=PACKS),
        lot("SUNFLOWER-OIL", "OS-08", "1.4 kg", received_on=days.ago(500), expires_on=days.ahead(9), unit_cost="4.6"),
        lot("OLIVE-OIL", "OS-09", "1.8 kg", received_on=days.ago(480), expires_on=days.ahead(24), unit_cost="8.9"),
        lot("TOCOPHEROL", "OS-10", "35 g", received_on=days.ago(400), opened_on=days.ago(150), container="opened"),
        lot("GLYCEROL", "OS-11", "1.2 kg", received_on=days.ago(170), opened_on=days.ago(60), container="tub on bench"),
        lot("GLYCEROL", "OS-11", "2 kg", received_on=days.ago(170), container="drum"),
        lot("LYE-10", "OS-12", "500 g", received_on=days.ago(90), supplier=LAB, supplier_lot="Q44210"),
        lot("CETEARYL", "OS-13", "300 g", received_on=days.ago(700), retest_on=days.ahead(-8)),
        lot("BENTONITE", "OS-14", "700 g", received_on=days.ago(320), opened_on=days.ago(99)),
        lot("PEPPERMINT-EO", "OS-15", "30 g", "quarantine", received_on=days.ago(2), available_on=days.week(1)),
        lot("GLOVES", "OS-16", "140 pc", unit_cost="0.08"),
        lot("SANITISER", "OS-17", "1.4 kg", expires_on=days.ahead(300)),
        lot("FILTER-CLOTH", "OS-18", "6 pc"),
        lot("DUST-MASK", "OS-19", "12 pc"),
        lot("PH-STRIPS", "OS-20", "80 pc", expires_on=days.ahead(500)),
        lot("CARTON", "", "15 pc"),
    ]


def demands(days: Days) -> list[Row]:
    rows = (
        (10, SHOP, "LY-377", "BALM-TIN-30", 36),
        (10, SHOP, "LY-377", "HAND-TUBE-75", 24),
        (11, COUNTER, "PW-104", "RINSE-BOTTLE-250", 36),
        (14, BATHS, "TQ-27", "MASK-JAR-100", 48),
        (16, BATHS, "TQ-27", "RINSE-BOTTLE-250", 30),
        (19, "", MARKET, "BALM-TIN-30", 60),
        (19, "", MARKET, "HAND-TUBE-75", 30),
        (30, COUNTER, "PW-110", "HAND-TUBE-75", 60),
        (37, SHOP, "LY-390", "BALM-TIN-60", 96),
        (37, SHOP, "LY-390", "BALM-TIN-30", 240),
    )
    return [
        {
            "item": item,
            "quantity": f"{pieces} pc",
            "due_on": str(days.week(after)),
            "customer": customer,
            "reference": reference,
        }
        for after, customer, reference, item, pieces in rows
    ]


@dataclass(frozen=True, slots=True)
class Planned:
    """A batch of next week, on this weekday (Monday is 0), and how the demo means it to stand."""

    weekday: int
    formula: str
    size: str
    meant: str  # covered, expected, short, or short with a substitute


NEXT_WEEK = (
    Planned(0, "HUMECTANT-GEL", "2 kg", "covered"),
    Planned(1, "HAND-CREAM", "5 kg", "covered"),
    Planned(2, "NETTLE-WATER", "5 kg", "covered"),
    Planned(2, "RINSE", "8 kg", "expected"),
    Planned(3, "SALVE-BASE", "2.5 kg", "short with a substitute"),
    Planned(4, "CLAY-MASK", "6 kg", "short"),
)
RESERVED = "HAND-CREAM"  # set aside already


def batch_code(days: Days, planned: Planned) -> str:
    """By the workshop's own pattern; the second of a day has the number 2."""
    earlier = [one for one in NEXT_WEEK[: NEXT_WEEK.index(planned)] if one.weekday == planned.weekday]
    return f"B{days.week(planned.weekday):%Y%m%d}-{len(earlier) + 1}"


def batches(days: Days) -> list[Row]:
    return [
        {
            "batch": batch_code(days, planned),
            "formula": planned.formula,
            "size": planned.size,
            "planned_for": str(days.week(planned.weekday)),
            "status": "planned",
        }
        for planned in NEXT_WEEK
    ]


def purchase_orders(days: Days) -> list[Row]:
    """The conditioning quat comes on Monday, is looked at for a day, and is needed on Wednesday."""
    rows = (
        (LAB, "HAIR-QUAT", "250 g", 0),
        (LAB, "ALLANTOIN", "100 g", 0),
        (PACKS, "JAR-100", "48 pc", 9),
        (PACKS, "CARTON", "50 pc", 4),
    )
    codes = {LAB: f"P{days.ago(3):%Y%m%d}-1", PACKS: f"P{days.ago(7):%Y%m%d}-1"}
    return [
        {
            "order": codes[supplier],
            "supplier": supplier,
            "item": item,
            "quantity": quantity,
            "due_on": str(days.week(due)),
        }
        for supplier, item, quantity, due in rows
    ]
