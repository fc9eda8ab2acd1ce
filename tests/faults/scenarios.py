"""The faults. Each function breaks something so many times, waits for recovery, and answers what was lost, or twice."""

from __future__ import annotations

import contextlib
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.faults.load import at_work
from tests.faults.stage import Outcome, Server, Stage, names_of
from tests.processes.machinery import (
    Client,
    Refused,
    free_port,
    mailbox,
    plain_environment,
    programs,
    run_command,
    wait_for,
)

PEOPLE = 16
MOST_STARTS = 5  # ``planner.jobs.services``: the program's own, which needs no settings here


def worker_killed_while_sending(stage: Server, tries: int) -> Outcome:
    """The worker is killed with letters in its hands, so many times; each time another is started."""
    names = names_of("sending", PEOPLE)
    before = stage.box.repeats()
    stage.prepare_letters(names)
    for number in range(tries):
        aim = min(PEOPLE - 1, (number + 1) * (PEOPLE // (tries + 1)))
        wait_for("letter on its way", lambda aim=aim: stage.came(names) >= aim, 200, 0.05)
        stage.parts["worker"].kill()
        stage.begin("worker")
    stage.wait_for_letters(names, 400)
    lost, doubled = stage.judge_letters(names)
    repeats = stage.box.repeats() - before
    return Outcome("worker killed with -9 while it sends letters", tries, lost, doubled,
                   f"{PEOPLE} letters; {repeats} came again under the same Message-ID")  # fmt: skip


def worker_killed_while_importing(stage: Server, tries: int) -> Outcome:
    """The worker is killed with an import half written: fewer times than a job is begun anew before it is given up.

    One kill may cost two starts: the next worker may find the locks of the killed one's transaction, and gives back.
    """
    items, tries = 15_000, min(tries, (MOST_STARTS - 1) // 2)
    starts = []
    job = stage.import_job("KILLED", items)
    for _ in range(tries):
        wait_for(
            "import at work", lambda: stage.job(job)["percent"] > 10 or stage.job(job)["state"] == "done", 120, 0.05
        )
        starts.append(stage.job(job)["percent"])
        stage.parts["worker"].kill()
        stage.begin("worker")
        wait_for("the job taken back", lambda: stage.job(job)["percent"] <= 10 or stage.job(job)["state"] == "done", 90)
    assert min(starts) < 100, "the import was over before the worker was killed: this shows nothing"
    undone = stage.judge_jobs([job])
    lost, doubled = stage.judge_stock()
    told = f"{items} items and lots; killed at {', '.join(f'{percent} %' for percent in starts)}"
    return Outcome("worker killed with -9 in an import", tries, lost + undone, doubled, told)


def everything_doubled(stage: Server, tries: int) -> Outcome:
    """Two beats and two workers, while letters are due and jobs wait."""
    names = names_of("doubled", PEOPLE)
    before = stage.box.repeats()
    stage.begin("beat", "second-beat")
    stage.begin("worker", "second-worker")
    jobs = []
    stage.prepare_letters(names)
    for _ in range(tries):
        jobs += [stage.client.post("jobs/plan", {"weeks": 4})["job"] for _ in range(5)]
        time.sleep(1)
    undone = stage.judge_jobs(jobs)
    stage.wait_for_letters(names, 200)
    time.sleep(35)  # another round of both beats: nothing more must come
    lost, doubled = stage.judge_letters(names)
    for name in ("second-beat", "second-worker"):
        stage.parts.pop(name).stop(60)
    repeats = stage.box.repeats() - before
    return Outcome("two beats and two workers", tries, lost + undone, doubled + repeats,
                   f"{PEOPLE} letters, {len(jobs)} jobs")  # fmt: skip


def redis_emptied_and_restarted(stage: Server, tries: int) -> Outcome:
    """Redis is emptied, then killed and started anew, while letters are due and jobs wait; people work meanwhile."""
    assert stage.redis is not None
    names = names_of("redis", PEOPLE)
    jobs: list[str] = []
    stage.prepare_letters(names)
    with at_work(stage.client) as takers:
        for _ in range(tries):
            jobs += [stage.client.post("jobs/plan", {"weeks": 4})["job"] for _ in range(3)]
            stage.redis.flush()
            time.sleep(1)
            jobs += [stage.client.post("jobs/export", {"format": "zip"})["job"] for _ in range(2)]
            stage.redis.stop()
            # Asking works while there is no broker: the row is what counts.
            jobs.append(stage.client.post("jobs/plan", {"weeks": 4})["job"])
            time.sleep(2)
            stage.redis.start()
            time.sleep(2)
    stage.taken += takers.taken
    undone = stage.judge_jobs(jobs)
    stage.wait_for_letters(names, 400)
    lost, doubled = stage.judge_letters(names)
    return Outcome("Redis emptied, killed and started", tries, lost + undone + takers.unknown, doubled,
                   f"{PEOPLE} letters, {len(jobs)} jobs, {takers.taken} discards beside it")  # fmt: skip


def postgres_restarted_under_load(stage: Server, tries: int) -> Outcome:
    """PostgreSQL goes down as in a crash, and recovers, while people take stock, letters are due and jobs wait."""
    assert stage.database is not None
    names = names_of("postgres", PEOPLE)
    stage.prepare_letters(names)
    jobs = []
    with at_work(stage.client, people=6) as takers:
        for _ in range(tries):
            jobs += [stage.client.post("jobs/plan", {"weeks": 4})["job"] for _ in range(3)]
            time.sleep(3)
            stage.database.stop("immediate")
            time.sleep(2)
            stage.database.start()
            wait_for("answer of the server", stage.client.answers, 60)
            time.sleep(3)
    stage.taken += takers.taken
    undone = stage.judge_jobs(jobs)
    stage.wait_for_letters(names, 400)
    lost, doubled = stage.judge_letters(names)
    lost_stock, doubled_stock = stage.judge_stock()
    return Outcome("PostgreSQL crashed and restarted under load", tries, lost + undone + lost_stock + takers.unknown,
                   doubled + doubled_stock,
                   f"{takers.taken} discards, {takers.refusals} sent again; {PEOPLE} letters, "
                   f"{len(jobs)} jobs")  # fmt: skip


# --- a full disk -------------------------------------------------------------------------------------------

DISK_MIB = 48


@contextlib.contextmanager
def small_disk(parent: Path) -> Iterator[tuple[Path, Callable[[int], None], Callable[[int], None], str]]:
    """A folder whose disk can be filled up and freed: a tmpfs where we may mount one.

    Elsewhere the server may write no file beyond its first page any more (RLIMIT_FSIZE), which SQLite is told as a
    failure to write. Answers the folder, how to fill, how to free (given the server's process), and which of the two.
    """
    folder = parent / "small-disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_MIB}m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        endless = resource.RLIM_INFINITY

        def limit(pid: int, size: int) -> None:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, endless))

        yield folder, lambda pid: limit(pid, 4096), lambda pid: limit(pid, endless), "files that may not grow"
        return
    filler = folder / "filler"

    def fill(pid: int) -> None:
        with filler.open("ab", buffering=0) as file, contextlib.suppress(OSError):
            while True:
                file.write(b"x" * 4096)

    try:
        yield folder, fill, lambda pid: filler.unlink(missing_ok=True), f"a tmpfs of {DISK_MIB} MiB"
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=False)


def disk_full_on_sqlite(folder: Path, tries: int) -> Outcome:
    """The disk of the one-process form fills up while people take stock, and is freed again."""
    with small_disk(folder) as (disk, fill, free, which), mailbox(0.1) as box, programs(folder) as start:
        environment = plain_environment(DATABASE_URL=f"sqlite:///{disk}/house.sqlite3", EMAIL_URL=box.url)
        run_command("stock", "--json", environment=environment)
        port = free_port()
        stage = Stage(Client(f"http://127.0.0.1:{port}"), environment, box, start)
        stage.parts["serve"] = start("serve", [sys.executable, "manage.py", "serve", "--port", str(port)], environment)
        stage.furnish()
        names, jobs, refused = names_of("disk", PEOPLE), [], 0
        stage.prepare_letters(names)
        with at_work(stage.client, people=4) as takers:
            for _ in range(tries):
                jobs.append(stage.client.post("jobs/plan", {"weeks": 4})["job"])
                before = takers.refusals
                fill(stage.parts["serve"].pid)
                wait_for("refusal for want of room", lambda before=before: takers.refusals > before + 3, 60)
                try:
                    jobs.append(stage.client.post("jobs/plan", {"weeks": 4})["job"])
                except Refused as refusal:
                    if refusal.status != 503:
                        raise
                    refused += 1
                time.sleep(3)
                assert stage.parts["serve"].is_alive(), stage.parts["serve"].said()
                free(stage.parts["serve"].pid)
                time.sleep(3)
        undone = stage.judge_jobs(jobs)
        stage.wait_for_letters(names, 300)
        lost, doubled = stage.judge_letters(names)
        stage.taken = takers.taken
        lost_stock, doubled_stock = stage.judge_stock()
        return Outcome("disk full under SQLite", tries, lost + undone + lost_stock + takers.unknown,
                       doubled + doubled_stock,
                       f"{which}; {takers.taken} discards, {takers.refusals} sent again; "
                       f"{refused} of {tries} jobs refused with 503, the others done; {PEOPLE} letters")  # fmt: skip


ON_A_SERVER: tuple[Callable[[Server, int], Outcome], ...] = (
    worker_killed_while_sending,
    worker_killed_while_importing,
    everything_doubled,
    redis_emptied_and_restarted,
    postgres_restarted_under_load,
)
