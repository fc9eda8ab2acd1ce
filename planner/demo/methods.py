"""The demo's formulas with their lines, steps and checks, as rows of the tables that people bring.

All proportions are round inventions that show the arithmetic: nobody should make or use these preparations.
"""

from __future__ import annotations

from planner.demo.materials import Row

WATERS_AND_OILS = {
    "NETTLE-WATER": {"yield_percent": "80", "loss": "20 g", "min_batch": "1 kg", "max_batch": "10 kg"},
    "CALENDULA-OIL": {"yield_percent": "80", "loss": "30 g", "min_batch": "2 kg", "max_batch": "12 kg"},
}
PREMIXES = {
    "SALVE-BASE": {"loss": "20 g", "min_batch": "1 kg", "batch_multiple": "500 g", "max_batch": "6 kg"},
    "HUMECTANT-GEL": {"loss": "15 g", "min_batch": "500 g", "batch_multiple": "250 g", "max_batch": "4 kg"},
}
BULKS = {
    "BALM": {"loss": "25 g", "min_batch": "1 kg", "batch_multiple": "500 g", "max_batch": "6 kg"},
    "HAND-CREAM": {"yield_percent": "98.5", "loss": "40 g", "min_batch": "2 kg", "batch_multiple": "500 g",
                   "max_batch": "12 kg"},
    "CLAY-MASK": {"loss": "60 g", "min_batch": "2 kg", "batch_multiple": "500 g", "max_batch": "8 kg"},
    "RINSE": {"yield_percent": "99", "loss": "50 g", "min_batch": "2 kg", "batch_multiple": "500 g",
              "max_batch": "15 kg"},
}  # fmt: skip
FILLS = {
    "BALM-TIN-30": {"yield_percent": "98"},
    "BALM-TIN-60": {"yield_percent": "98"},
    "HAND-TUBE-75": {"yield_percent": "97"},
    "MASK-JAR-100": {"yield_percent": "97"},
    "RINSE-BOTTLE-250": {"yield_percent": "98"},
}


def formula(code: str, basis: str, sizes: Row) -> Row:
    return {"formula": code, "item": code, "basis": basis, "status": "approved", "preferred": "yes", **sizes}


FORMULAS: tuple[Row, ...] = (
    *(formula(code, "percent", sizes) for code, sizes in {**WATERS_AND_OILS, **PREMIXES, **BULKS}.items()),
    *(formula(code, "per_unit", sizes) for code, sizes in FILLS.items()),
)

# For each formula: phase, item, percent or amount for one unit.
LINES: dict[str, tuple[tuple[str, str, str], ...]] = {
    "NETTLE-WATER": (("A", "NETTLE-DRY", "5"), ("A", "WATER", "qs")),
    "CALENDULA-OIL": (("A", "CALENDULA-DRY", "12"), ("A", "SUNFLOWER-OIL", "88")),
    "SALVE-BASE": (
        ("A", "BEESWAX", "30"),
        ("A", "SHEA-BUTTER", "30"),
        ("A", "CALENDULA-OIL", "39.5"),
        ("B", "TOCOPHEROL", "0.5"),
    ),
    "HUMECTANT-GEL": (("A", "GLYCEROL", "90"), ("A", "XANTHAN", "10")),
    "BALM": (
        ("A", "SALVE-BASE", "60"),
        ("A", "OLIVE-OIL", "qs"),
        ("A", "COCOA-BUTTER", "10"),
        ("A", "CASTOR-OIL", "5"),
        ("B", "ORANGE-EO", "0.8"),
    ),
    "HAND-CREAM": (
        ("A", "CALENDULA-OIL", "8"),
        ("A", "SUNFLOWER-OIL", "6"),
        ("A", "SHEA-BUTTER", "4"),
        ("A", "EMULSIFIER", "5"),
        ("A", "CETEARYL", "3"),
        ("B", "WATER", "qs"),
        ("B", "HUMECTANT-GEL", "6"),
        ("B", "ALLANTOIN", "0.2"),
        ("C", "PANTHENOL", "2"),
        ("C", "PRESERVATIVE", "0.9"),
        ("C", "LAVENDER-EO", "0.3"),
        ("C", "LACTIC-ACID", "0.2"),
    ),
    "CLAY-MASK": (
        ("A", "WATER", "qs"),
        ("A", "HUMECTANT-GEL", "10"),
        ("A", "PRESERVATIVE", "1"),
        ("A", "LACTIC-ACID", "0.5"),
        ("B", "KAOLIN", "35"),
        ("B", "BENTONITE", "5"),
        ("C", "SUNFLOWER-OIL", "3"),
    ),
    "RINSE": (
        ("A", "NETTLE-WATER", "40"),
        ("A", "WATER", "qs"),
        ("A", "HAIR-QUAT", "2"),
        ("A", "CETEARYL", "2"),
        ("B", "ALCOHOL", "2"),
        ("B", "PANTHENOL", "1"),
        ("B", "PRESERVATIVE", "0.9"),
        ("B", "LACTIC-ACID", "0.4"),
        ("B", "PEPPERMINT-EO", "0.2"),
    ),
    "BALM-TIN-30": (
        ("", "BALM", "30 g"),
        ("", "TIN-35", "1 pc"),
        ("", "LABEL-BALM", "1 pc"),
        ("", "CARTON", "1 pc / 24"),
    ),
    "BALM-TIN-60": (
        ("", "BALM", "60 g"),
        ("", "TIN-70", "1 pc"),
        ("", "LABEL-BALM", "1 pc"),
        ("", "CARTON", "1 pc / 12"),
    ),
    "HAND-TUBE-75": (
        ("", "HAND-CREAM", "75 g"),
        ("", "TUBE-75", "1 pc"),
        ("", "LABEL-HAND", "1 pc"),
        ("", "CARTON", "1 pc / 24"),
    ),
    "MASK-JAR-100": (
        ("", "CLAY-MASK", "100 g"),
        ("", "JAR-100", "1 pc"),
        ("", "SEAL-70", "1 pc"),
        ("", "LABEL-MASK", "1 pc"),
        ("", "CARTON", "1 pc / 12"),
    ),
    "RINSE-BOTTLE-250": (
        ("", "RINSE", "250 mL"),
        ("", "BOTTLE-250", "1 pc"),
        ("", "CAP-DISC", "1 pc"),
        ("", "LABEL-RINSE", "1 pc"),
        ("", "CARTON", "1 pc / 12"),
    ),
}

FORMULA_LINES: tuple[Row, ...] = tuple(
    {"formula": code, "position": str(number), "phase": phase, "item": item, "amount": amount}
    for code, lines in LINES.items()
    for number, (phase, item, amount) in enumerate(lines, 1)
)

SUBSTITUTES: tuple[Row, ...] = (
    {"formula": "SALVE-BASE", "position": "1", "item": "BEESWAX", "substitute": "CANDELILLA", "ratio": "0.6"},
    {"formula": "BALM", "position": "3", "item": "COCOA-BUTTER", "substitute": "SHEA-BUTTER", "ratio": "1"},
)

# For each formula: phase, what to do, degrees C or blank, minutes or blank, whether hands are needed.
STEPS_OF: dict[str, tuple[tuple[str, str, str, str, bool], ...]] = {
    "NETTLE-WATER": (
        ("A", "Pour the hot water over the leaf; cover.", "90", "30", True),
        ("A", "Strain through a clean cloth; weigh what is left in it as residue.", "", "15", True),
        ("A", "Close, cool, and use it today: it is not preserved.", "8", "", False),
    ),
    "CALENDULA-OIL": (
        ("A", "Look the flowers over: fully dry, no stalks, no dust. Cover them with oil.", "", "40", True),
        ("A", "Let it stand four weeks, closed, dark; turn it each week.", "20", "", False),
        ("A", "Strain and settle; spread the oily cloth out to dry, it can heat itself.", "", "60", True),
    ),
    "SALVE-BASE": (
        ("A", "Melt together, low heat. No water near it; stay with it.", "72", "40", True),
        ("B", "Stir in below the stated temperature; pour into the closed tub.", "60", "10", True),
    ),
    "HUMECTANT-GEL": (
        ("A", "Dust mask. Strew the gum into the glycerol while stirring.", "", "15", True),
        ("A", "Let it swell, covered.", "", "120", False),
    ),
    "BALM": (
        ("A", "Melt together, no hotter than needed; lid near, never left alone.", "70", "35", True),
        ("B", "Let it cool, stir in the scent with gloves on.", "50", "10", True),
    ),
    "HAND-CREAM": (
        ("A", "Melt the oil phase.", "73", "25", True),
        ("B", "Heat the water phase; pour A into B and shear.", "73", "20", True),
        ("B", "Stir while it cools.", "40", "40", True),
        ("C", "Read the pH first; then the rest one by one, acid diluted and slowly.", "38", "20", True),
    ),
    "CLAY-MASK": (
        ("A", "Mix the water phase; bring it to pH 5 or below before the clay goes in.", "", "20", True),
        ("B", "Dust mask, no draught: rain the clays in, low speed.", "", "30", True),
        ("C", "Stir in the oil; let the air rise out.", "", "30", True),
    ),
    "RINSE": (
        ("A", "Goggles: melt the quat into the warm water phase.", "72", "30", True),
        ("B", "Below 40 degrees, no flame or plate near: alcohol, then the rest; acid diluted.", "38", "20", True),
    ),
    "BALM-TIN-30": (("", "Fill warm from the pot; leave the tins open until set.", "60", "90", True),),
    "BALM-TIN-60": (("", "Fill warm from the pot; leave the tins open until set.", "60", "90", True),),
    "HAND-TUBE-75": (("", "Fill, crimp, label; weigh every tenth tube.", "", "120", True),),
    "MASK-JAR-100": (("", "Look for splinters, fill, seal, label; weigh every tenth jar.", "", "100", True),),
    "RINSE-BOTTLE-250": (("", "Fill, cap, label; weigh every tenth bottle.", "", "80", True),),
}

STEPS: tuple[Row, ...] = tuple(
    {
        "formula": code,
        "position": str(number),
        "phase": phase,
        "text": text,
        "temperature_c": degrees,
        "minutes": minutes,
        "hands_on": "yes" if hands else "no",
    }
    for code, steps in STEPS_OF.items()
    for number, (phase, text, degrees, minutes, hands) in enumerate(steps, 1)
)

# For each formula: check, stage, unit, low, high, expected.
CHECKS_OF: dict[str, tuple[tuple[str, str, str, str, str, str], ...]] = {
    "NETTLE-WATER": (("clear, smells fresh", "release", "", "", "", "yes"),),
    "CALENDULA-OIL": (("clear, no water at the bottom", "release", "", "", "", "yes"),),
    "SALVE-BASE": (("even when set", "release", "", "", "", "yes"),),
    "HUMECTANT-GEL": (("no lumps", "release", "", "", "", "yes"),),
    "BALM": (
        ("melting point", "release", "C", "38", "50", ""),
        ("smell", "release", "", "", "", "as the standard"),
        ("melting point", "stability", "C", "38", "50", ""),
    ),
    "HAND-CREAM": (
        ("temperature before phase C", "in_process", "C", "", "40", ""),
        ("pH", "release", "", "4.5", "5", ""),
        ("smooth, no oil parting", "release", "", "", "", "yes"),
        ("pH", "stability", "", "4.5", "5.2", ""),
    ),
    "CLAY-MASK": (("pH", "release", "", "4.4", "5", ""), ("no lumps", "release", "", "", "", "yes")),
    "RINSE": (("pH", "release", "", "3.5", "4.5", ""), ("pours", "release", "", "", "", "yes")),
    "BALM-TIN-30": (("net weight", "release", "g", "30", "31", ""),),
    "BALM-TIN-60": (("net weight", "release", "g", "60", "61.5", ""),),
    "HAND-TUBE-75": (("net weight", "release", "g", "75", "77", ""),),
    "MASK-JAR-100": (("net weight", "release", "g", "100", "103", ""),),
    "RINSE-BOTTLE-250": (("net weight", "release", "g", "247", "252", ""),),
}

CHECKS: tuple[Row, ...] = tuple(
    {"formula": code, "check": name, "stage": stage, "unit": unit, "low": low, "high": high, "expected": expected}
    for code, checks in CHECKS_OF.items()
    for name, stage, unit, low, high, expected in checks
)
