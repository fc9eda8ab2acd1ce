"""Checking formulas and all that hangs on a version: lines, substitutes, steps, checks, sums, sizes, loops.

An approved, retired or used version never changes: equal content is no change, other content is a fault.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import fields as fields_of_dataclass
from typing import Any

from inventory.cells import UNKNOWN, Measured
from inventory.models import Item
from inventory.quantities import COUNT, MASS
from planner.exchange import known
from planner.exchange.bringing import Bringing, Version
from planner.exchange.known import (
    CheckContent,
    Content,
    LineContent,
    StepContent,
    SubstituteContent,
)
from planner.exchange.rows import Row, refuse_twins
from planner.exchange.tables import FORMULA_LINES, SUBSTITUTES, Column
from production.amounts import WrittenAmount, read_amounts
from production.arithmetic import PER_UNIT, PERCENT, Cuts, describe_total, faults_of_cuts

PARTS = ("formula_lines", "substitutes", "steps", "checks")
HEAD_COLUMNS = {
    "basis": "basis",
    "yield_percent": "yield_percent",
    "loss": "loss_mg",
    "min_batch": "min_batch",
    "batch_multiple": "batch_multiple",
    "max_batch": "max_batch",
}


def check_methods(bringing: Bringing) -> None:
    """Settle every version that the files speak of.

    1. Heads, from formulas and the database.
    2. Each part's rows, laid to their version.
    3. Content put together and compared with what the database has.
    4. States, sums, sizes and loops of what will be approved.
    """
    rows = bringing.rows("formulas", _sizes_of)
    parts = {name: bringing.rows(name, twins=name in ("steps", "checks")) for name in PARTS}
    batches = bringing.tables.get("batches")
    named = {row["formula"] for many in (rows, *parts.values()) for row in many if row["formula"]}
    if batches is not None and "formula" in batches.header:
        at = batches.header.index("formula")
        named.update(row.cells[at] for row in batches.rows)
    _know_versions(bringing, named)
    for row in rows:
        _lay_head(bringing, row)
    _refuse_two_outputs(bringing, rows)
    for name in PARTS:
        for row in parts[name]:
            _lay_part(bringing, name, row)
    for version in bringing.versions.values():
        _settle(bringing, version)
    _refuse_two_approved(bringing)
    _refuse_loops(bringing)


def _sizes_of(row: Row, column: Column) -> Measured:
    """Sizes are charges: masses of a percent formula, units begun of a per_unit one. A loss is a mass."""
    if row["basis"] is None:
        return UNKNOWN
    if column.name == "loss":
        return Measured(MASS)
    return Measured(MASS if row["basis"] == PERCENT else COUNT)


def _know_versions(bringing: Bringing, formulas: set[str]) -> None:
    existing = known.versions_of(sorted(formulas))
    contents = known.contents_of(existing.values())
    used = known.used_versions(existing.values())
    for key, row in existing.items():
        bringing.formulas[row.formula.code] = row.formula
        bringing.versions[key] = Version(
            key=key,
            item=row.formula.item.code,
            content=contents[row.pk],
            status=row.status,
            preferred=row.preferred,
            existing=row,
            used=row.pk in used,
        )


# --- laying rows to versions -------------------------------------------------------------------------------


def _lay_head(bringing: Bringing, row: Row) -> None:
    item = bringing.item_of(row)
    code, number = row["formula"], row["version"]
    if code is None or number is None:
        return
    if row["basis"] == PER_UNIT and getattr(row["loss"], "steps", 0):
        bringing.refuse(row, "loss", "blank: a loss is for percent formulas")
    version = bringing.versions.get((code, number))
    if version is None:
        version = Version((code, number), item.code if item else "", Content(), "draft", False)
        bringing.versions[version.key] = version
    if version.row is not None:
        return  # a twin, refused already
    version.row = row
    before = version.content
    old = version.existing
    if old is not None and item is not None and item.code != version.item:
        bringing.refuse(row, "item", f"{version.item}, which formula {code} makes")
    content = Content(lines=before.lines, substitutes=before.substitutes, steps=before.steps, checks=before.checks)
    for column, name in HEAD_COLUMNS.items():
        keeps = old is not None and not row.has_column(column)
        value = getattr(before, name) if keeps else getattr(row[column], "steps", row[column])
        setattr(content, name, value)
    version.content = content
    if old is not None and _head_differs(before, content):
        version.changed.add("formulas")
    _lay_state(bringing, version, row)


def _head_differs(before: Content, after: Content) -> bool:
    return any(getattr(before, name) != getattr(after, name) for name in HEAD_COLUMNS.values())


def _lay_state(bringing: Bringing, version: Version, row: Row) -> None:
    status, preferred = row["status"], row["preferred"]
    old = version.existing
    if old is None or row.has_column("preferred"):
        version.preferred = bool(preferred)
    if status is None or (old is not None and not row.has_column("status")):
        return
    steps = {("draft", "approved"), ("draft", "retired"), ("approved", "retired")}
    if old is not None and status != old.status and (old.status, status) not in steps:
        bringing.refuse(row, "status", f"{old.status}, which it is; bring a new version", status)
        return
    version.status = status


def _lay_part(bringing: Bringing, name: str, row: Row) -> None:
    code, number = row["formula"], row["version"]
    if code is None or number is None:
        return
    version = bringing.versions.get((code, number))
    if version is None:
        known_code = any(key[0] == code for key in bringing.versions)
        column = "version" if known_code else "formula"
        accepted = "a version that stands in formulas or is known already"
        bringing.refuse(row, column, accepted, f"{code} version {number}" if known_code else None)
        return
    version.rows.setdefault(name, []).append(row)


def _refuse_two_outputs(bringing: Bringing, rows: list[Row]) -> None:
    outputs: dict[str, tuple[str, int]] = {}
    for row in rows:
        code, item = row["formula"], row["item"]
        if code is None or item is None:
            continue
        first = outputs.setdefault(code, (item, row.number))
        if first[0] != item:
            bringing.refuse(row, "item", f"{first[0]}, which formula {code} makes by row {first[1]}")


# --- one version -------------------------------------------------------------------------------------------


def _settle(bringing: Bringing, version: Version) -> None:
    old_content = version.content
    lines = _lines_of(bringing, version)
    if lines is not None:
        _compare(version, "formula_lines", old_content.lines, lines)
        version.content.lines = lines
    for name, part, read in (
        ("substitutes", "substitutes", _substitutes_of),
        ("steps", "steps", _steps_of),
        ("checks", "checks", _checks_of),
    ):
        if version.rows.get(name):
            found = read(bringing, version)
            _compare(version, name, getattr(old_content, part), found)
            setattr(version.content, part, found)
    _check_substitutes_fit(bringing, version)
    _refuse_closed(bringing, version)
    if version.status == "approved" and (version.existing is None or version.existing.status != "approved"):
        _check_approvable(bringing, version)
    _tally(bringing, version)


def _compare(version: Version, name: str, old: list[Any], new: list[Any]) -> None:
    if version.existing is not None and sorted(old, key=_order) != sorted(new, key=_order):
        version.changed.add(name)


def _order(content: Any) -> tuple[str, ...]:
    return tuple(str(getattr(content, field.name)) for field in fields_of_dataclass(content) if field.compare)


def _lines_of(bringing: Bringing, version: Version) -> list[LineContent] | None:
    """The lines as the files tell them; None where they do not speak of this version's lines."""
    rows = version.rows.get("formula_lines")
    if not rows:
        return None
    for order, row in enumerate(rows, start=1):
        if row["position"] is None and not row.given("position"):
            row.values["position"] = order
    refuse_twins(rows, FORMULA_LINES.identity, bringing.faults)
    items = [_line_item(bringing, version, row) for row in rows]
    amounts = _amounts_of(bringing, version, rows, items)
    lines = []
    for row, item, amount in zip(rows, items, amounts, strict=True):
        if item is None or amount is None or row["position"] is None:
            continue
        single_lot = row["single_lot"]
        if single_lot is None:
            single_lot = (
                version.content.basis == PER_UNIT and item.kind == Item.Kind.INTERMEDIATE and item.measure == MASS
            )
        lines.append(
            LineContent(
                position=row["position"],
                phase=row["phase"] or "",
                item=item.code,
                percent=amount.percent,
                qs=amount.qs,
                per_unit=amount.per_unit,
                is_volume=amount.is_volume,
                tolerance_percent=row["tolerance_percent"],
                single_lot=single_lot,
                amount_text=amount.text,
            )
        )
    return lines


def _line_item(bringing: Bringing, version: Version, row: Row) -> Item | None:
    item = bringing.item_of(row)
    if item is not None and item.kind == Item.Kind.SUPPLY:
        bringing.refuse(row, "item", "an item that may be in a formula: a supply never is")
    if item is not None and version.content.basis == PERCENT and item.measure == COUNT:
        bringing.refuse(row, "item", "an item measured by mass: a percent formula has no pieces")
    return item


def _amounts_of(bringing: Bringing, version: Version, rows: list[Row], items: list[Item | None]) -> list[Any]:
    basis = version.content.basis
    if not basis:
        return [None] * len(rows)
    readable = [
        at
        for at, (row, item) in enumerate(zip(rows, items, strict=True))
        if row["amount"] is not None
        and item is not None
        and item.code not in bringing.unmeasured
        and not (basis == PERCENT and item.measure == COUNT)
    ]
    written = []
    for at in readable:
        item = items[at]
        assert item is not None
        written.append(WrittenAmount(rows[at]["amount"], item.measure, item.density_g_per_ml))
    read = read_amounts(basis, written)
    for index, accepted in read.refused.items():
        bringing.refuse(rows[readable[index]], "amount", accepted)
    amounts: list[Any] = [None] * len(rows)
    for at, amount in zip(readable, read.amounts, strict=True):
        amounts[at] = amount
    if read.turned_into_percent and not read.refused and len(readable) == len(rows):
        code, number = version.key
        shares = ", ".join(
            f"{row['item']} {amount.text} %" for row, amount in zip(rows, amounts, strict=True) if amount
        )
        bringing.report.append(f"formula {code} version {number}: written in masses, turned into percent: {shares}")
    return amounts


def _substitutes_of(bringing: Bringing, version: Version) -> list[SubstituteContent]:
    rows = version.rows["substitutes"]
    by_position = {line.position: line for line in version.content.lines}
    found = []
    for row in rows:
        item, substitute = bringing.item_of(row), bringing.item_of(row, "substitute")
        if item is None or substitute is None:
            continue
        if not row.given("position"):
            fitting = [line.position for line in version.content.lines if line.item == item.code]
            if not fitting:
                bringing.refuse(row, "item", "the item of a line of this version")
                continue
            if len(fitting) > 1:
                bringing.refuse(row, "position", f"the position of one of the {len(fitting)} lines with {item.code}")
                continue
            row.values["position"] = fitting[0]
        line = by_position.get(row["position"])
        if row["position"] is not None and (line is None or line.item != item.code):
            bringing.refuse(row, "item", "the item of the line at this position")
        elif substitute.code == item.code or substitute.measure != item.measure:
            bringing.refuse(row, "substitute", "another item of the same measure")
        elif row["ratio"] is not None and row["position"] is not None:
            found.append(SubstituteContent(row["position"], substitute.code, row["ratio"]))
    refuse_twins(rows, SUBSTITUTES.identity, bringing.faults)
    return found


def _steps_of(bringing: Bringing, version: Version) -> list[StepContent]:
    return [
        StepContent(
            row["position"],
            row["phase"] or "",
            row["text"],
            row["temperature_c"],
            row["minutes"],
            bool(row["hands_on"]),
        )
        for row in version.rows["steps"]
        if row.sound
    ]


def _checks_of(bringing: Bringing, version: Version) -> list[CheckContent]:
    found = []
    for row in version.rows["checks"]:
        low, high = row["low"], row["high"]
        if low is not None and high is not None and low > high:
            bringing.refuse(row, "low", f"at most high, {row.texts['high']}")
        elif row.sound:
            found.append(CheckContent(row["check"], row["stage"], row["unit"], low, high, row["expected"]))
    return found


def _check_substitutes_fit(bringing: Bringing, version: Version) -> None:
    """Substitutes that only the database has go with their lines; a line that went away takes its own along."""
    positions = {line.position for line in version.content.lines}
    version.content.substitutes = [one for one in version.content.substitutes if one.position in positions]


def _refuse_closed(bringing: Bringing, version: Version) -> None:
    old = version.existing
    if old is None or not version.changed or (old.status == "draft" and not version.used):
        return
    code, number = version.key
    state = "was used" if old.status == "draft" else f"is {old.status}"
    for name in sorted(version.changed):
        row = version.row if name == "formulas" else version.rows[name][0]
        if row is not None and row.sound:
            accepted = f"the content it has: this version {state}; bring the change as a new version"
            bringing.refuse(row, "version", accepted, f"{code} version {number}")


def _check_approvable(bringing: Bringing, version: Version) -> None:
    """What the approval of a version asks, told at the row that can be mended."""
    row = version.row
    assert row is not None
    content, item = version.content, bringing.items.get(version.item)
    if item is not None:
        if item.kind == Item.Kind.SUPPLY or item.drawn:
            bringing.refuse(row, "item", "an item that is made: supplies and drawn items never are")
        if content.basis == PERCENT and item.measure != MASS:
            bringing.refuse(row, "basis", f"per_unit: {item.code} is counted")
        if content.basis == PER_UNIT and item.measure != COUNT:
            bringing.refuse(row, "basis", f"percent: {item.code} is measured by mass")
    line_rows = version.rows.get("formula_lines", [])
    if not content.lines and not line_rows:
        bringing.refuse(row, "formula", "a formula with lines, to be approved", version.key[0])
    sound = all(line_row.sound for line_row in line_rows)
    if content.basis == PERCENT and content.lines and sound:
        fault = describe_total([line.percent for line in content.lines])
        if fault:
            place, at = _row_of_total(version, row)
            place.refuse(bringing.faults, at, f"lines that sum to 100 %, one of them may be qs: {fault}")
    if row.sound:
        for fault in faults_of_cuts(_cuts_of(content)):
            bringing.refuse(row, "max_batch", f"sizes of which a batch can be cut: {fault}")


def _row_of_total(version: Version, head: Row) -> tuple[Row, str]:
    """Where a wrong total is told: the second qs line, else the last line, else the formula's row."""
    rows = version.rows.get("formula_lines", [])
    rests = [row for row in rows if str(row["amount"]).strip().lower() == "qs"]
    if len(rests) > 1:
        return rests[1], "amount"
    return (rows[-1], "amount") if rows else (head, "formula")


def _cuts_of(content: Content) -> Cuts:
    return Cuts(
        yield_percent=content.yield_percent,
        loss_mg=content.loss_mg,
        min_batch=content.min_batch,
        batch_multiple=content.batch_multiple,
        max_batch=content.max_batch,
    )


def _tally(bringing: Bringing, version: Version) -> None:
    """Count the version's rows and keep it for writing where anything is to be written."""
    old = version.existing
    tally = bringing.tally
    state_changed = old is not None and (version.status != old.status or version.preferred != old.preferred)
    if version.row is not None:
        if old is None:
            tally.add("formulas", version.row)
        elif "formulas" in version.changed or state_changed:
            was = {"status": old.status} if version.status != old.status else {}
            tally.update("formulas", version.row, was=was)
        else:
            tally.unchanged["formulas"] += 1
    for name, rows in version.rows.items():
        if old is None:
            tally.add(name, *rows)
        elif name in version.changed:
            tally.update(name, *rows)
        else:
            tally.unchanged[name] += len(rows)
    if old is None or version.changed or state_changed:
        bringing.writing.versions.append(version)


# --- all versions together ---------------------------------------------------------------------------------


def _refuse_two_approved(bringing: Bringing) -> None:
    approved: dict[str, list[Version]] = defaultdict(list)
    for version in bringing.versions.values():
        if version.status == "approved" and version.row is not None:
            approved[version.key[0]].append(version)
    for code, versions in approved.items():
        for version in versions[1:]:
            assert version.row is not None
            accepted = f"draft or retired: version {versions[0].key[1]} of {code} is approved, and one only may be"
            bringing.refuse(version.row, "status", accepted)


def _refuse_loops(bringing: Bringing) -> None:
    """Formulas that reach themselves, were everything approved that will be; each loop is told once."""
    fresh = {
        version.key[0]
        for version in bringing.versions.values()
        if version.status == "approved" and (version.existing is None or version.existing.status != "approved")
    }
    if not fresh:
        return
    makers: dict[str, Version] = {}
    needs: dict[str, set[str]] = defaultdict(set)
    for code, number, output, item in known.approved_edges():
        version = bringing.versions.get((code, number))
        if code not in fresh and (version is None or version.status == "approved"):
            needs[output].add(item)
    for version in bringing.versions.values():
        if version.status == "approved":
            makers.setdefault(version.item, version)
            needs[version.item].update(line.item for line in version.content.lines)
    for path in find_loops(needs):
        row = next((makers[item].row for item in path if item in makers and makers[item].row is not None), None)
        if row is not None:
            bringing.refuse(row, "formula", "a formula that does not need its own product", " -> ".join(path))


def find_loops(needs: dict[str, set[str]]) -> list[list[str]]:
    """Paths that come back to where they began, both ends named: at least one for every knot. No recursion."""
    done: set[str] = set()
    loops = []
    for start in sorted(needs):
        if start in done:
            continue
        path, on_path, waiting = [start], {start}, [_needed(needs, start)]
        while path:
            following = next(waiting[-1], None)
            if following is None:
                done.add(path[-1])
                on_path.discard(path.pop())
                waiting.pop()
            elif following in on_path:
                loops.append([*path[path.index(following) :], following])
            elif following not in done and following in needs:
                path.append(following)
                on_path.add(following)
                waiting.append(_needed(needs, following))
    return loops


def _needed(needs: dict[str, set[str]], item: str) -> Iterator[str]:
    return iter(sorted(needs.get(item, ())))
