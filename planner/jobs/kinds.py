"""What each kind of job does: one domain call, watched, and the file it makes."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING

import orjson

from inventory import clock
from inventory.errors import Conflict, TooLarge
from planner import selectors, services
from planner.collector import collector_paused
from planner.exchange import (
    LoadReport,
    archive_bytes,
    check_tables,
    exported_tables,
    load_tables,
    preview_of,
    workbook_bytes,
)
from planner.jobs import services as job_services
from planner.jobs.models import Job, JobFile
from planner.progress import Progress

if TYPE_CHECKING:
    from django.contrib.auth.models import User

JSON = "application/json"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ZIP = "application/zip"
MOST_RESULT_BYTES = 512 * 1024**2
MOST_KEPT_BYTES = 64 * 1024**2  # packed
_PACKING = 1  # JSON shrinks to a tenth at the quickest level


End = Callable[[JobFile], None]


@dataclass(frozen=True, slots=True)
class Kind:
    """``act`` does it, and calls the third argument once with its result, to end the job.

    What writes calls it within its own transaction, so that it is done once or not at all; the others only read, of one
    moment, and may be done twice. ``phases`` give each word of the work's progress its part of the hundred.
    """

    act: Callable[[Job, Progress, End], None]
    phases: dict[str, tuple[int, int]]


def _plan(job: Job, progress: Progress, end: End) -> None:
    with collector_paused():
        from_day = date.fromisoformat(job.asks["from"])
        run = services.run_plan(from_day=from_day, weeks=job.asks["weeks"], progress=progress)
        batches = len(run.plan.batches)

        def counted() -> Iterable[bytes]:
            for number, piece in enumerate(run.json()):
                yield piece.encode()
                progress("writing", min(number, batches), batches)

        file = _packed(f"plan-{from_day.isoformat()}.json", JSON, counted())
    end(file)


def _trace(job: Job, progress: Progress, end: End) -> None:
    progress("reading", 0, 1)
    origins = selectors.get_lots([(item, lot) for item, lot in job.asks["lots"]])
    progress("reading", 1, 1)
    document = selectors.trace_of(origins, forward=job.asks["direction"] == "forward")
    progress("writing", 0, 1)
    end(_packed("trace.json", JSON, [orjson.dumps(document)]))


def _export(job: Job, progress: Progress, end: End) -> None:
    exported = exported_tables(progress)
    name = f"tables-{clock.today().isoformat()}.{job.asks['format']}"
    if job.asks["format"] == "zip":
        end(_whole(name, ZIP, archive_bytes(exported, progress)))
    else:
        end(_whole(name, XLSX, workbook_bytes(exported, progress)))


def _import(job: Job, progress: Progress, end: End) -> None:
    brought = job.files.get(part=JobFile.Part.BROUGHT)
    who: User | None = job.asked_by
    content = bytes(brought.content)
    source = {brought.name: content}
    if job.asks["check"]:
        checked = check_tables(source, progress=progress)
        job_services.keep_shown(job=job, shown=_packed("rows.json", JSON, [orjson.dumps(preview_of(checked))]))
        if checked.refused is not None:
            raise checked.refused
        assert checked.report is not None
        end(_report_file(checked.report))
        return

    def agreed_and_ended(report: LoadReport) -> None:
        _refuse_other_changes(report, job.asks.get("agreed"))
        end(_report_file(report))

    load_tables(source, who, progress=progress, within=agreed_and_ended)


def _refuse_other_changes(report: LoadReport, agreed: dict[str, dict[str, int]] | None) -> None:
    """Raises Conflict where the books moved since somebody agreed to what they were shown."""
    if agreed is not None and agreed != {name: getattr(report, name) for name in job_services.AGREED}:
        raise Conflict(
            "since you looked, the books changed, and the tables would do something else now; look again",
            code="changed_since",
        )


def _report_file(done: LoadReport) -> JobFile:
    report = asdict(done)
    order = ("checked_only", "added", "updated", "unchanged", "report")
    return _packed("report.json", JSON, [orjson.dumps({name: report[name] for name in order})])


def _packed(name: str, media_type: str, pieces: Iterable[bytes]) -> JobFile:
    """Pieces packed as they come. Raises TooLarge."""
    packer, size, packed = zlib.compressobj(_PACKING), 0, bytearray()
    for piece in pieces:
        size += len(piece)
        packed += packer.compress(piece)
        _check_size(size, len(packed))
    packed += packer.flush()
    _check_size(size, len(packed))
    return JobFile(name=name, media_type=media_type, size=size, packed=True, content=bytes(packed))


def _whole(name: str, media_type: str, content: bytes) -> JobFile:
    """A file that is packed by its kind."""
    _check_size(len(content), len(content))
    return JobFile(name=name, media_type=media_type, size=len(content), content=content)


def _check_size(size: int, packed: int) -> None:
    if size > MOST_RESULT_BYTES or packed > MOST_KEPT_BYTES:
        raise TooLarge(
            f"the result is larger than is kept: {MOST_RESULT_BYTES // 1024**2} MiB, "
            f"{MOST_KEPT_BYTES // 1024**2} MiB packed; ask for less at once",
            code="result_too_large",
        )


KINDS: dict[str, Kind] = {
    Job.Kind.PLAN: Kind(_plan, {"reading": (0, 15), "netting": (15, 70), "writing": (70, 99)}),
    Job.Kind.TRACE: Kind(_trace, {"reading": (0, 20), "writing": (80, 99)}),
    Job.Kind.EXPORT: Kind(_export, {"reading": (0, 50), "writing": (50, 99)}),
    Job.Kind.IMPORT: Kind(_import, {"reading": (0, 10), "checking": (10, 55), "writing": (55, 99)}),
}
