"""The demo's items, parties and offers, as rows of the tables that people bring. Every name and price is invented.

Use limits, densities and lives are round figures for the demo: a real workshop takes them from its suppliers'
papers and its assessor. Cautions are common practice; they stand on the item, where the batch sheet shows them.
"""

from __future__ import annotations

Row = dict[str, str]

POWDER = "Fine powder: wear a dust mask, weigh slowly, no draught."
NEAT = "Essential oil: gloves when neat; may sensitise; list its allergens on the label."
HOT_WAX = "Hot wax and oil: no drop of water in it, lid near, never left alone; a timer is not supervision."
PLANT = "Use only when fully dry and identified."
GRADE = "Use only within the limits of its safety data sheet; gloves when neat."
RAGS = "Oily cloths can heat themselves: spread them out to dry or keep them wet in a closed tin."

COOL = "cool and dark"
DRY = "dry, closed"


def item(code: str, name: str, kind: str, **more: object) -> Row:
    return {"item": code, "name": name, "kind": kind, **{key: str(value) for key, value in more.items()}}


def raw(code: str, name: str, **more: object) -> Row:
    return item(code, name, "raw", **more)


def pieces(code: str, name: str, kind: str, **more: object) -> Row:
    return item(code, name, kind, measure="count", **more)


HERBS_AND_EARTHS = (
    raw("NETTLE-DRY", "Nettle leaf, dried", inci="Urtica Dioica Leaf", shelf_life_days=540, storage=DRY, caution=PLANT),
    raw(
        "CALENDULA-DRY",
        "Marigold flowers, dried",
        inci="Calendula Officinalis Flower",
        shelf_life_days=540,
        storage=DRY,
        caution=PLANT + " Daisy family: some people are allergic.",
    ),
    raw("KAOLIN", "White clay", inci="Kaolin", cas="1332-58-7", shelf_life_days=1095, storage=DRY, caution=POWDER),
    raw("BENTONITE", "Swelling clay", inci="Bentonite", cas="1302-78-9", shelf_life_days=1095, caution=POWDER),
)

OILS_AND_WAXES = (
    raw(
        "SUNFLOWER-OIL",
        "Sunflower oil, high oleic",
        inci="Helianthus Annuus Seed Oil",
        density_g_per_ml="0.918",
        shelf_life_days=540,
        storage=COOL,
        caution=RAGS,
    ),
    raw(
        "OLIVE-OIL",
        "Olive oil",
        inci="Olea Europaea Fruit Oil",
        density_g_per_ml="0.914",
        shelf_life_days=540,
        storage=COOL,
        caution=RAGS,
    ),
    raw("CASTOR-OIL", "Castor oil", inci="Ricinus Communis Seed Oil", density_g_per_ml="0.96", shelf_life_days=540),
    raw("SHEA-BUTTER", "Shea butter", inci="Butyrospermum Parkii Butter", shelf_life_days=720, storage=COOL),
    raw("COCOA-BUTTER", "Cocoa butter", inci="Theobroma Cacao Seed Butter", shelf_life_days=720, storage=COOL),
    raw("BEESWAX", "Beeswax, yellow", inci="Cera Alba", cas="8012-89-3", shelf_life_days=1095, caution=HOT_WAX),
    raw(
        "CANDELILLA",
        "Candelilla wax",
        inci="Euphorbia Cerifera Wax",
        cas="8006-44-8",
        shelf_life_days=1095,
        caution=HOT_WAX,
    ),
    raw("CETEARYL", "Cetearyl alcohol", inci="Cetearyl Alcohol", cas="67762-27-0", shelf_life_days=1095),
    raw("TOCOPHEROL", "Mixed tocopherols", inci="Tocopherol", shelf_life_days=720, opened_life_days=180, storage=COOL),
)

LABORATORY = (
    raw(
        "WATER",
        "Deionised water, drawn here",
        inci="Aqua",
        cas="7732-18-5",
        density_g_per_ml="0.998",
        drawn="yes",
        caps_life="no",
        shelf_life_hours=24,
        caution="Run the line before drawing; a bad day's water is found by its date.",
    ),
    raw("EMULSIFIER", "Glyceryl stearate blend", inci="Glyceryl Stearate", cas="31566-31-1", shelf_life_days=720),
    raw("GLYCEROL", "Glycerol", inci="Glycerin", cas="56-81-5", density_g_per_ml="1.26", shelf_life_days=720),
    raw("XANTHAN", "Xanthan gum", inci="Xanthan Gum", cas="11138-66-2", shelf_life_days=720, caution=POWDER),
    raw("ALLANTOIN", "Allantoin", inci="Allantoin", cas="97-59-6", shelf_life_days=1095, max_percent="0.5"),
    raw(
        "PANTHENOL",
        "Panthenol solution",
        inci="Panthenol",
        cas="81-13-0",
        shelf_life_days=720,
        opened_life_days=120,
        max_percent="5",
        storage=COOL,
    ),
    raw(
        "PRESERVATIVE",
        "Benzoate and sorbate solution",
        inci="Sodium Benzoate, Potassium Sorbate",
        shelf_life_days=540,
        opened_life_days=180,
        safety_stock="60 g",
        release_days=1,
        min_percent="0.5",
        max_percent="1",
        caution="Works only at about pH 5 and below; acid straight into it can throw the free acid out. "
        "Whether it protects a product is shown by a test, not by this figure.",
    ),
    raw(
        "LACTIC-ACID",
        "Lactic acid, 80 %",
        inci="Lactic Acid",
        cas="50-21-5",
        density_g_per_ml="1.2",
        shelf_life_days=720,
        max_percent="2.5",
        caution="Acid burns: goggles and gloves. Add it diluted, slowly, and read the pH between additions.",
    ),
    raw(
        "LYE-10",
        "Sodium hydroxide solution, 10 %",
        inci="Sodium Hydroxide",
        cas="1310-73-2",
        shelf_life_days=365,
        max_percent="0.5",
        caution="Lye burns: goggles and gloves; lye into water, never the reverse. Add slowly, read between additions.",
    ),
    raw("HAIR-QUAT", "Conditioning quat", inci="Behentrimonium Methosulfate", shelf_life_days=720, release_days=1,
        max_percent="3", caution="Irritates eyes: goggles and gloves. " + POWDER),
    raw(
        "ALCOHOL",
        "Ethanol, cosmetic grade",
        inci="Alcohol Denat.",
        cas="64-17-5",
        density_g_per_ml="0.81",
        shelf_life_days=1095,
        caution="Flammable: away from flame and hot plate, closed at once, little at a time.",
        storage="fire cupboard",
    ),
)  # fmt: skip

SCENTS = (
    raw(
        "ORANGE-EO",
        "Sweet orange oil",
        inci="Citrus Sinensis Peel Oil",
        density_g_per_ml="0.845",
        shelf_life_days=365,
        opened_life_days=180,
        max_percent="1",
        caution=NEAT + " An old, oxidised citrus oil sensitises more.",
        storage="refrigerator",
    ),
    raw("LAVENDER-EO", "Lavender oil", inci="Lavandula Angustifolia Oil", density_g_per_ml="0.885",
        shelf_life_days=720, opened_life_days=365, max_percent="1", caution=NEAT, storage=COOL),
    raw("PEPPERMINT-EO", "Peppermint oil", inci="Mentha Piperita Oil", density_g_per_ml="0.9", shelf_life_days=720,
        max_percent="0.5", caution=NEAT + " Never near eyes, never for small children.", storage=COOL),
)  # fmt: skip

PACKAGING = (
    pieces("TIN-35", "Tin 35 mL with lid", "packaging"),
    pieces("TIN-70", "Tin 70 mL with lid", "packaging"),
    pieces("TUBE-75", "Tube 75 mL with cap", "packaging"),
    pieces("JAR-100", "Glass jar 100 mL with lid", "packaging", caution="Look for splinters before filling."),
    pieces("SEAL-70", "Sealing disc for jars", "packaging"),
    pieces("BOTTLE-250", "Bottle 250 mL", "packaging"),
    pieces("CAP-DISC", "Disc-top cap", "packaging"),
    pieces("LABEL-BALM", "Label for the balm", "packaging", safety_stock="50 pc"),
    pieces("LABEL-HAND", "Label for the hand cream", "packaging", safety_stock="50 pc"),
    pieces("LABEL-MASK", "Label for the clay mask", "packaging", safety_stock="50 pc"),
    pieces("LABEL-RINSE", "Label for the rinse", "packaging", safety_stock="50 pc"),
    pieces("CARTON", "Shipping carton", "packaging"),
)

SUPPLIES = (
    pieces("GLOVES", "Nitrile gloves", "supply", safety_stock="200 pc"),
    item("SANITISER", "Surface sanitiser, 70 % alcohol", "supply", density_g_per_ml="0.87", safety_stock="1 kg",
         caution="Flammable: away from flame and hot plate; let it dry off before heating anything."),
    pieces("FILTER-CLOTH", "Straining cloth", "supply"),
    pieces("DUST-MASK", "Dust mask", "supply", safety_stock="10 pc"),
    pieces("PH-STRIPS", "pH strips", "supply"),
)  # fmt: skip

MADE_HERE = (
    item(
        "NETTLE-WATER",
        "Strained nettle water",
        "intermediate",
        inci="Aqua, Urtica Dioica Leaf Extract",
        shelf_life_hours=24,
        release_by="checks",
        storage="closed, 2 to 8 degrees C",
        caution="Unpreserved: use it the day it is strained. " + PLANT,
    ),
    item(
        "CALENDULA-OIL",
        "Marigold flowers in sunflower oil",
        "intermediate",
        density_g_per_ml="0.918",
        shelf_life_days=240,
        lead_time_days=28,
        release_by="checks",
        storage=COOL,
        caution="Damp flowers spoil the oil. Daisy family: some people are allergic. " + RAGS,
    ),
    item(
        "SALVE-BASE", "Wax and butter base", "intermediate", shelf_life_days=180, release_by="checks", caution=HOT_WAX
    ),
    item("HUMECTANT-GEL", "Gum wetted in glycerol", "intermediate", shelf_life_days=120, release_by="checks"),
    item("BALM", "Balm, poured warm", "intermediate", shelf_life_days=180, release_by="checks", caution=HOT_WAX),
    item(
        "HAND-CREAM",
        "Hand cream, in bulk",
        "intermediate",
        shelf_life_days=90,
        release_by="checks",
        caution="Holds water: preservation tested and germs counted before anyone uses it.",
    ),
    item(
        "CLAY-MASK",
        "Clay mask, in bulk",
        "intermediate",
        shelf_life_days=60,
        release_by="checks",
        caution="Holds water and clay: preservation tested and germs counted before anyone uses it. Keep off the eyes.",
    ),
    item(
        "RINSE",
        "Hair rinse, in bulk",
        "intermediate",
        density_g_per_ml="0.99",
        shelf_life_days=30,
        release_by="checks",
        caution="Holds plant water: preservation tested and germs counted before anyone uses it. Keep out of the eyes.",
    ),
)

DAISY = "Holds marigold: not for people allergic to the daisy family."


def product(code: str, name: str, gtin: str, days: int, basis: str, remaining: int, caution: str) -> Row:
    """A packed unit: how long it keeps, on whose word, and how much of that a customer gets."""
    return pieces(
        code,
        name,
        "product",
        gtin=gtin,
        shelf_life_days=days,
        shelf_life_basis=basis,
        min_remaining_days=remaining,
        release_days=1 if code.startswith("BALM") else 2,
        caution=caution,
    )


# GTINs of the range kept for use inside one house: they belong to nobody.
PRODUCTS = (
    product("BALM-TIN-30", "Balm, tin of 30 g", "2000000000305", 540, "study", 90, DAISY),
    product("BALM-TIN-60", "Balm, tin of 60 g", "2000000000602", 540, "study", 90, DAISY),
    product("HAND-TUBE-75", "Hand cream, tube of 75 g", "2000000000756", 365, "assessor", 90, DAISY),
    product(
        "MASK-JAR-100",
        "Clay mask, jar of 100 g",
        "2000000001005",
        270,
        "assessor",
        60,
        "Keep off eyes and broken skin. Not for children under 3.",
    ),
    product(
        "RINSE-BOTTLE-250",
        "Hair rinse, bottle of 250 mL",
        "2000000002507",
        365,
        "assessor",
        90,
        "Keep out of the eyes. Not for children under 3.",
    ),
)

ITEMS: tuple[Row, ...] = (
    *HERBS_AND_EARTHS,
    *OILS_AND_WAXES,
    *LABORATORY,
    *SCENTS,
    *PACKAGING,
    *SUPPLIES,
    *MADE_HERE,
    *PRODUCTS,
)

HERBS, OILS, LAB, PACKS, SUNDRIES = "SEDGEMARL", "OSTERVALE", "QUERNHOLT", "BRINDLEWICK", "THISTLEGATE"
SHOP, COUNTER, BATHS = "LANTERNYARD", "PELLWICK", "THORNQUAY"

PARTIES: tuple[Row, ...] = (
    {"party": HERBS, "name": "Sedgemarl Herbs and Earths", "role": "supplier", "email": "orders@sedgemarl.example"},
    {"party": OILS, "name": "Ostervale Oils and Waxes", "role": "supplier", "email": "orders@ostervale.example"},
    {"party": LAB, "name": "Quernholt Laboratory Goods", "role": "supplier", "email": "orders@quernholt.example"},
    {"party": PACKS, "name": "Brindlewick Jars and Labels", "role": "supplier", "email": "orders@brindlewick.example"},
    {"party": SUNDRIES, "name": "Thistlegate Sundries", "role": "supplier", "email": "orders@thistlegate.example"},
    {"party": SHOP, "name": "Lanternyard Shop", "role": "customer", "email": "buying@lanternyard.example"},
    {
        "party": COUNTER,
        "name": "Pellwick Counter",
        "role": "customer",
        "email": "buying@pellwick.example",
        "min_remaining_days": "180",
    },
    {"party": BATHS, "name": "Thornquay Bath House", "role": "customer", "email": "buying@thornquay.example"},
)

# supplier, item, pack, price, days to come, fewest packs
OFFER_LINES = (
    (HERBS, "NETTLE-DRY", "500 g", "9.50", 10, 1),
    (HERBS, "CALENDULA-DRY", "500 g", "21.00", 10, 1),
    (HERBS, "KAOLIN", "2.5 kg", "8.00", 12, 1),
    (HERBS, "BENTONITE", "2.5 kg", "11.00", 12, 1),
    (HERBS, "ORANGE-EO", "100 g", "8.50", 10, 1),
    (HERBS, "LAVENDER-EO", "100 g", "19.00", 10, 1),
    (HERBS, "PEPPERMINT-EO", "100 g", "15.50", 10, 1),
    (HERBS, "BEESWAX", "1 kg", "16.00", 10, 1),
    (OILS, "SUNFLOWER-OIL", "5 L", "22.00", 6, 1),
    (OILS, "SUNFLOWER-OIL", "20 L", "74.00", 9, 1),
    (OILS, "OLIVE-OIL", "5 L", "41.00", 6, 1),
    (OILS, "CASTOR-OIL", "1 L", "9.80", 6, 1),
    (OILS, "SHEA-BUTTER", "1 kg", "13.50", 8, 1),
    (OILS, "SHEA-BUTTER", "5 kg", "58.00", 8, 1),
    (OILS, "COCOA-BUTTER", "1 kg", "17.00", 8, 1),
    (OILS, "BEESWAX", "2.5 kg", "36.00", 9, 1),
    (OILS, "CANDELILLA", "500 g", "14.50", 9, 1),
    (OILS, "CETEARYL", "1 kg", "9.20", 8, 1),
    (LAB, "TOCOPHEROL", "100 g", "12.00", 5, 1),
    (LAB, "EMULSIFIER", "1 kg", "18.50", 5, 1),
    (LAB, "GLYCEROL", "5 kg", "19.00", 5, 1),
    (LAB, "XANTHAN", "500 g", "13.00", 5, 1),
    (LAB, "ALLANTOIN", "100 g", "6.40", 5, 1),
    (LAB, "PANTHENOL", "500 g", "21.50", 7, 1),
    (LAB, "PRESERVATIVE", "250 g", "11.00", 5, 1),
    (LAB, "LACTIC-ACID", "500 mL", "7.90", 5, 1),
    (LAB, "LYE-10", "500 g", "6.10", 5, 1),
    (LAB, "HAIR-QUAT", "250 g", "9.00", 7, 1),
    (LAB, "ALCOHOL", "1 L", "8.80", 5, 2),
    (PACKS, "TIN-35", "100 pc", "34.00", 14, 1),
    (PACKS, "TIN-70", "100 pc", "46.00", 14, 1),
    (PACKS, "TUBE-75", "100 pc", "39.00", 14, 2),
    (PACKS, "JAR-100", "48 pc", "40.00", 14, 1),
    (PACKS, "SEAL-70", "100 pc", "5.00", 14, 1),
    (PACKS, "BOTTLE-250", "60 pc", "31.00", 14, 1),
    (PACKS, "CAP-DISC", "100 pc", "18.00", 14, 1),
    (PACKS, "LABEL-BALM", "250 pc", "22.50", 7, 1),
    (PACKS, "LABEL-HAND", "250 pc", "22.50", 7, 1),
    (PACKS, "LABEL-MASK", "250 pc", "22.50", 7, 1),
    (PACKS, "LABEL-RINSE", "250 pc", "22.50", 7, 1),
    (PACKS, "CARTON", "25 pc", "16.00", 5, 1),
    (SUNDRIES, "GLOVES", "100 pc", "8.00", 3, 1),
    (SUNDRIES, "SANITISER", "1 L", "5.20", 3, 1),
    (SUNDRIES, "FILTER-CLOTH", "10 pc", "12.00", 3, 1),
    (SUNDRIES, "DUST-MASK", "20 pc", "14.00", 3, 1),
    (SUNDRIES, "PH-STRIPS", "100 pc", "6.00", 3, 1),
)

OFFERS: tuple[Row, ...] = tuple(
    {
        "supplier": supplier,
        "item": code,
        "pack": pack,
        "price": price,
        "lead_time_days": str(days),
        "min_packs": str(fewest),
    }
    for supplier, code, pack, price, days, fewest in OFFER_LINES
)

SETTINGS: tuple[Row, ...] = (
    {"key": "currency", "value": "EUR"},
    {"key": "open_days", "value": "mon tue wed thu fri"},
    {"key": "scales", "value": "0.01 g to 500 g; 0.1 g to 5 kg; 1 g to 30 kg"},
)
