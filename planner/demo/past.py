"""What the demo's workshop did in past months, as data: deliveries, makings, what left, what was counted.

``ago`` is days before today (moved to the workday before where it falls on a weekend), ``hour`` the hour of that
day. Lots are named here as they are on the books; what is made bears the name of its making.
"""

from __future__ import annotations

from dataclasses import dataclass

from planner.demo.materials import BATHS, COUNTER, HERBS, LAB, OILS, PACKS, SHOP

STORE, COLD, SHELF, STALL = "store", "cold room", "shelf", "market stall"
CUPBOARD = "sample cupboard"
MARKET = "Millrace market"
LOOKS, SMELLS = "looks as at the start", "smells as at the start"
RECALLED = "SM 2281"  # the supplier's number of a sack of marigold flowers, whose trace the story tells


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """Something that happened on a day."""

    ago: int
    hour: int = 9


@dataclass(frozen=True, slots=True)
class Sack:
    """One lot of a delivery. ``lasts`` is its last day, in days from today; None: by the item's life."""

    lot: str
    item: str
    quantity: str
    supplier_lot: str = ""
    lasts: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered(Act):
    supplier: str
    sacks: tuple[Sack, ...]
    ordered: int | None = None  # days ago; None: no order was written


@dataclass(frozen=True, slots=True, kw_only=True)
class Made(Act):
    """A batch, finished on the day ``ago``. ``readings`` are check results that differ from the usual ones."""

    name: str
    formula: str
    charge: str
    made: str
    begun: int | None = None  # days ago, where it began earlier
    residue: str = "0 g"
    left_in_vessel: str = "0 g"
    place: str = STORE
    added: tuple[str, str, str] | None = None  # item, quantity, why: outside the formula


@dataclass(frozen=True, slots=True, kw_only=True)
class Left(Act):
    """Goods that left: to a customer, or to the public at the market. Lines are lot, pieces, from which place."""

    lines: tuple[tuple[str, int, str], ...]
    customer: str = ""
    kind: str = "sale"
    reference: str = ""
    ordered: bool = False  # the customer's order stands in the books as a demand


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried(Act):
    lot: str
    pieces: int
    source: str
    target: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CameBack(Act):
    """Of what ``reference`` was sent with, so many of a lot came back; they stand apart until decided on."""

    reference: str
    lot: str
    pieces: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenOff(Act):
    """What stood apart after it came back, decided on: thrown away."""

    lot: str
    quantity: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted(Act):
    """A count; ``mistaken`` counts are corrected by an opposite event."""

    lot: str
    quantity: str
    why: str
    mistaken: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenOut(Act):
    """Samples looked at or kept, or stock thrown away."""

    lot: str
    quantity: str
    why: str
    as_sample: bool = False
    kept_at: str = ""  # where a sample is retained until its day
    place: str = STORE


@dataclass(frozen=True, slots=True)
class Looked:
    """A pull that was done, so many days after its own, with what was read by test."""

    pull: int
    readings: tuple[tuple[str, str], ...]
    late: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Studied(Act):
    """A stability study of a lot, begun on this day; pulls that are named nowhere are still to come."""

    lot: str
    protocol: str
    looked: tuple[Looked, ...]
    missed: tuple[tuple[int, str], ...]  # pull and why


@dataclass(frozen=True, slots=True, kw_only=True)
class SentBack(Act):
    """What its supplier takes back."""

    lot: str
    quantity: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened(Act):
    lot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubted(Act):
    """A lot is held until somebody knows more."""

    lot: str
    why: str


DELIVERIES: tuple[Delivered, ...] = (
    Delivered(
        ago=152,
        supplier=HERBS,
        sacks=(
            Sack("MF-1", "CALENDULA-DRY", "500 g", "SM 2107"),
            Sack("NL-1", "NETTLE-DRY", "1 kg", "SM 2110"),
            Sack("WC-1", "KAOLIN", "2.5 kg", "SM 2064"),
            Sack("SC-1", "BENTONITE", "2.5 kg", "SM 2065"),
            Sack("OR-1", "ORANGE-EO", "100 g", "SM 2093", lasts=75),
            Sack("LV-1", "LAVENDER-EO", "100 g", "SM 2094"),
            Sack("PM-1", "PEPPERMINT-EO", "100 g", "SM 2095"),
        ),
    ),
    Delivered(
        ago=151,
        supplier=OILS,
        sacks=(
            Sack("SF-1", "SUNFLOWER-OIL", "5 L", "OV-618"),
            Sack("OO-1", "OLIVE-OIL", "5 L", "OV-604"),
            Sack("CO-1", "CASTOR-OIL", "1 L", "OV-611"),
            Sack("SH-1", "SHEA-BUTTER", "5 kg", "OV-590"),
            Sack("CB-1", "COCOA-BUTTER", "1 kg", "OV-577"),
            Sack("BW-1", "BEESWAX", "2.5 kg", "OV-566"),
            Sack("CW-1", "CANDELILLA", "500 g", "OV-569"),
            Sack("CA-1", "CETEARYL", "2 kg", "OV-570"),
        ),
    ),
    Delivered(
        ago=150,
        supplier=LAB,
        ordered=156,
        sacks=(
            Sack("TP-1", "TOCOPHEROL", "100 g", "Q44102"),
            Sack("EM-1", "EMULSIFIER", "1 kg", "Q43870"),
            Sack("GL-1", "GLYCEROL", "5 kg", "Q44015"),
            Sack("XG-1", "XANTHAN", "500 g", "Q43990"),
            Sack("AL-1", "ALLANTOIN", "100 g", "Q43412"),
            Sack("PA-1", "PANTHENOL", "500 g", "Q44120"),
            Sack("PR-1", "PRESERVATIVE", "500 g", "Q44007"),
            Sack("LA-1", "LACTIC-ACID", "500 mL", "Q43951"),
            Sack("HQ-1", "HAIR-QUAT", "250 g", "Q43777"),
            Sack("ET-1", "ALCOHOL", "2 L", "Q44131"),
        ),
    ),
    Delivered(
        ago=149,
        supplier=PACKS,
        sacks=(
            Sack("T3-1", "TIN-35", "300 pc"),
            Sack("T7-1", "TIN-70", "100 pc"),
            Sack("TU-1", "TUBE-75", "200 pc"),
            Sack("JR-1", "JAR-100", "144 pc"),
            Sack("SE-1", "SEAL-70", "200 pc"),
            Sack("BT-1", "BOTTLE-250", "120 pc"),
            Sack("CP-1", "CAP-DISC", "200 pc"),
            Sack("LB-1", "LABEL-BALM", "500 pc"),
            Sack("LH-1", "LABEL-HAND", "250 pc"),
            Sack("LM-1", "LABEL-MASK", "250 pc"),
            Sack("LR-1", "LABEL-RINSE", "250 pc"),
            Sack("CT-1", "CARTON", "100 pc"),
        ),
    ),
    Delivered(ago=96, supplier=HERBS, ordered=108, sacks=(Sack("MF-2", "CALENDULA-DRY", "500 g", RECALLED),)),
    Delivered(
        ago=95,
        supplier=OILS,
        ordered=103,
        sacks=(
            Sack("SF-2", "SUNFLOWER-OIL", "10 L", "OV-702"),
            Sack("CB-2", "COCOA-BUTTER", "1 kg", "OV-689"),
        ),
    ),
    Delivered(
        ago=58,
        supplier=LAB,
        sacks=(
            Sack("PA-2", "PANTHENOL", "500 g", "Q44590"),
            Sack("PR-2", "PRESERVATIVE", "250 g", "Q44577"),
            Sack("GL-2", "GLYCEROL", "5 kg", "Q44602"),
            Sack("XG-2", "XANTHAN", "500 g", "Q44560"),
        ),
    ),
    Delivered(ago=15, supplier=HERBS, sacks=(Sack("MF-3", "CALENDULA-DRY", "500 g", "SM 2398"),)),
    Delivered(
        ago=12,
        supplier=PACKS,
        ordered=27,
        sacks=(Sack("T3-2", "TIN-35", "100 pc"), Sack("TU-2", "TUBE-75", "100 pc")),
    ),
    Delivered(
        ago=4,
        supplier=HERBS,
        ordered=17,
        sacks=(
            Sack("WC-2", "KAOLIN", "5 kg", "SM 2417"),
            Sack("OR-2", "ORANGE-EO", "100 g", "SM 2420"),
        ),
    ),
)

MAKINGS: tuple[Made, ...] = (
    Made(
        ago=120,
        begun=148,
        name="oil-1",
        formula="CALENDULA-OIL",
        charge="3.2 kg",
        made="2.53 kg",
        residue="640 g",
        left_in_vessel="30 g",
    ),
    Made(ago=119, name="salve-1", formula="SALVE-BASE", charge="4 kg", made="3.975 kg", left_in_vessel="20 g"),
    Made(ago=118, name="gel-1", formula="HUMECTANT-GEL", charge="1.5 kg", made="1.485 kg", left_in_vessel="15 g"),
    Made(ago=117, name="balm-1", formula="BALM", charge="3 kg", made="2.972 kg", left_in_vessel="25 g"),
    Made(ago=116, name="tins30-1", formula="BALM-TIN-30", charge="50 pc", made="49 pc", place=SHELF),
    Made(ago=116, hour=13, name="tins60-1", formula="BALM-TIN-60", charge="24 pc", made="24 pc", place=SHELF),
    Made(
        ago=113,
        name="cream-1",
        formula="HAND-CREAM",
        charge="6 kg",
        made="5.86 kg",
        left_in_vessel="45 g",
        added=("LACTIC-ACID", "3.2 g", "pH was 5.3; diluted, in three portions"),
    ),
    Made(ago=112, name="tubes-1", formula="HAND-TUBE-75", charge="77 pc", made="75 pc", place=SHELF),
    Made(ago=88, name="balm-2", formula="BALM", charge="3 kg", made="2.97 kg", left_in_vessel="25 g"),
    Made(ago=87, name="tins30-2", formula="BALM-TIN-30", charge="98 pc", made="96 pc", place=SHELF),
    Made(
        ago=64,
        begun=92,
        name="oil-2",
        formula="CALENDULA-OIL",
        charge="4 kg",
        made="3.16 kg",
        residue="795 g",
        left_in_vessel="32 g",
    ),
    Made(ago=62, name="salve-2", formula="SALVE-BASE", charge="4 kg", made="3.98 kg", left_in_vessel="20 g"),
    Made(ago=58, name="balm-3", formula="BALM", charge="3 kg", made="2.97 kg", left_in_vessel="25 g"),
    Made(ago=57, name="tins60-2", formula="BALM-TIN-60", charge="24 pc", made="23 pc", place=SHELF),
    Made(ago=57, hour=13, name="tins30-3", formula="BALM-TIN-30", charge="50 pc", made="49 pc", place=SHELF),
    Made(ago=55, name="gel-2", formula="HUMECTANT-GEL", charge="2 kg", made="1.985 kg", left_in_vessel="15 g"),
    Made(ago=53, name="cream-2", formula="HAND-CREAM", charge="6 kg", made="5.87 kg", left_in_vessel="40 g"),
    Made(ago=52, name="tubes-2", formula="HAND-TUBE-75", charge="77 pc", made="74 pc", place=SHELF),
    Made(ago=43, name="mask-1", formula="CLAY-MASK", charge="5 kg", made="4.94 kg", left_in_vessel="60 g"),
    Made(ago=42, name="jars-1", formula="MASK-JAR-100", charge="48 pc", made="48 pc", place=SHELF),
    Made(
        ago=36,
        hour=8,
        name="nettle-1",
        formula="NETTLE-WATER",
        charge="5.2 kg",
        made="4.14 kg",
        residue="1 kg",
        left_in_vessel="20 g",
        place=COLD,
    ),
    Made(
        ago=36,
        hour=11,
        name="rinse-1",
        formula="RINSE",
        charge="10 kg",
        made="9.85 kg",
        left_in_vessel="50 g",
        added=("LACTIC-ACID", "4 g", "pH was 4.7; diluted, in two portions"),
    ),
    Made(ago=35, name="bottles-1", formula="RINSE-BOTTLE-250", charge="39 pc", made="38 pc", place=SHELF),
    Made(ago=26, name="balm-4", formula="BALM", charge="3 kg", made="2.975 kg", left_in_vessel="25 g"),
    Made(ago=25, name="tins30-4", formula="BALM-TIN-30", charge="60 pc", made="59 pc", place=SHELF),
)

SENT: tuple[Left, ...] = (
    Left(
        ago=110,
        customer=SHOP,
        reference="LY-301",
        ordered=True,
        lines=(("tins30-1", 24, SHELF), ("tins60-1", 8, SHELF), ("tubes-1", 24, SHELF)),
    ),
    Left(ago=103, customer=COUNTER, reference="PW-77", lines=(("tubes-1", 20, SHELF), ("tins60-1", 6, SHELF))),
    Left(ago=94, customer=BATHS, reference="TQ-12", lines=(("tins30-1", 10, SHELF), ("tins60-1", 4, SHELF))),
    Left(ago=90, customer=SHOP, kind="tester", reference="LY-T1", lines=(("tubes-1", 1, SHELF),)),
    Left(ago=78, customer=SHOP, reference="LY-318", lines=(("tins30-2", 40, SHELF), ("tubes-1", 20, SHELF))),
    Left(ago=72, hour=15, lines=(("tins30-2", 22, STALL), ("tins30-1", 11, STALL)), reference="market day"),
    Left(ago=60, customer=BATHS, reference="TQ-15", lines=(("tubes-1", 6, SHELF), ("tins30-1", 2, SHELF))),
    Left(
        ago=49,
        customer=SHOP,
        reference="LY-340",
        ordered=True,
        lines=(("tins30-3", 20, SHELF), ("tins60-2", 8, SHELF), ("tubes-2", 24, SHELF)),
    ),
    Left(ago=45, customer=COUNTER, reference="PW-91", lines=(("tubes-2", 18, SHELF), ("tins60-2", 4, SHELF))),
    Left(ago=38, customer=BATHS, reference="TQ-19", lines=(("jars-1", 24, SHELF),)),
    Left(ago=32, customer=SHOP, kind="gift", reference="opening day", lines=(("tubes-2", 2, SHELF),)),
    Left(ago=30, customer=BATHS, reference="TQ-21", lines=(("bottles-1", 24, SHELF),)),
    Left(ago=30, hour=11, customer=SHOP, kind="damaged", reference="LY-352", lines=(("bottles-1", 1, SHELF),)),
    Left(ago=20, customer=SHOP, reference="LY-361", lines=(("tins30-4", 24, SHELF), ("tins30-3", 10, SHELF))),
    Left(ago=5, hour=15, lines=(("tins30-4", 9, STALL), ("tubes-2", 4, STALL)), reference="market day"),
)

CARRIED: tuple[Carried, ...] = (
    Carried(ago=72, hour=7, lot="tins30-2", pieces=30, source=SHELF, target=STALL),
    Carried(ago=72, hour=7, lot="tins30-1", pieces=11, source=SHELF, target=STALL),
    Carried(ago=72, hour=18, lot="tins30-2", pieces=8, source=STALL, target=SHELF),
    Carried(ago=5, hour=7, lot="tins30-4", pieces=16, source=SHELF, target=STALL),
    Carried(ago=5, hour=7, lot="tubes-2", pieces=10, source=SHELF, target=STALL),
)

REST: tuple[Act, ...] = (
    CameBack(ago=40, reference="LY-340", lot="tubes-2", pieces=2, why="cap leaks, says the shop"),
    WrittenOff(ago=38, lot="tubes-2", quantity="2 pc", why="looked at: the caps are cracked"),
    SentBack(ago=146, lot="BT-1", quantity="6 pc", why="necks out of round, the caps do not close"),
    Opened(ago=113, hour=8, lot="PA-1"),
    Opened(ago=117, hour=8, lot="OR-1"),
    Opened(ago=53, hour=8, lot="PR-1"),
    Doubted(ago=3, lot="WC-2", why="grey specks; the supplier is asked"),
    Counted(ago=80, lot="CT-1", quantity="19 pc", why="yearly count", mistaken=True),
    Counted(ago=80, hour=11, lot="SF-2", quantity="5.61 kg", why="yearly count: a splash at the tap"),
    TakenOut(ago=35, hour=8, lot="nettle-1", quantity="140 g", why="past its day", place=COLD),
    TakenOut(ago=112, hour=15, lot="cream-1", quantity="85 g", why="left after filling: not enough for a tube run"),
    TakenOut(ago=57, hour=15, lot="balm-2", quantity="30 g", why="left after filling: used to try the new lids"),
    TakenOut(ago=86, lot="salve-1", quantity="15 g", why="looked at after a month", as_sample=True),
    Studied(
        ago=84,
        hour=12,
        lot="tins30-2",
        protocol="TIN-LOOK",
        looked=(
            Looked(1, (("melting point", "43.5"), (LOOKS, "yes"), (SMELLS, "yes"))),
            Looked(2, (("melting point", "43.5"), (LOOKS, "yes"), (SMELLS, "yes"))),
            Looked(3, (("melting point", "43.3"), (LOOKS, "yes"), (SMELLS, "yes")), late=4),
        ),
        missed=((4, "the warm cupboard stood cold for a week"),),
    ),
    *(
        TakenOut(ago=ago, hour=16, lot=lot, quantity="2 pc", why="kept as samples", as_sample=True, kept_at=CUPBOARD,
                 place=SHELF)
        for lot, ago in (
            ("tins30-1", 116), ("tins60-1", 116), ("tubes-1", 112),
            ("tins30-2", 87), ("tins60-2", 57), ("tins30-3", 57), ("tubes-2", 52), ("jars-1", 42),
            ("bottles-1", 35), ("tins30-4", 25),
        )
    ),
)  # fmt: skip


def in_order() -> list[tuple[int, int, Act, bool]]:
    """Everything that happened, the first first: days ago, hour, act, and whether it is a making's end."""
    found: list[tuple[int, int, Act, bool]] = []
    for act in (*DELIVERIES, *CARRIED, *SENT, *REST):
        found.append((act.ago, act.hour, act, False))
    for making in MAKINGS:
        found.append((making.begun or making.ago, making.hour, making, False))
        found.append((making.ago, making.hour + 1, making, True))
    return sorted(found, key=lambda row: (-row[0], row[1]))
