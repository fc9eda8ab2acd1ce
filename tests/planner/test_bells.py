"""Every bell that the beat rings may be rung twice: the second one finds nothing to do."""

from __future__ import annotations

from pathlib import Path

import pytest
import time_machine
from django.contrib.auth.models import User
from django.core import mail
from django.core.cache import cache

from planner.celery import app
from planner.jobs import services as jobs
from tests.planner.api.house import NOW, everything
from tests.planner.small_house import FROM, set_up


@pytest.mark.django_db(transaction=True)
def test_a_bell_that_is_rung_twice_does_no_harm(tmp_path: Path) -> None:
    app.loader.import_default_modules()
    cache.clear()
    with time_machine.travel(NOW, tick=False):
        set_up(tmp_path)
        owner = User.objects.create_superuser("olive", "olive@shed.example")
        jobs.ask_for_plan(from_day=FROM, weeks=4, who=owner)
        tasks = [app.tasks[entry["task"]] for entry in app.conf.beat_schedule.values()]
        assert len(tasks) > 3
        for _ in range(3):  # a look opens notices, a sweep tells them, a letter leaves
            for task in tasks:
                task()
        settled, sent = everything(), len(mail.outbox)
        assert sent >= 1
        for task in [*tasks, *reversed(tasks)]:
            task()
        assert everything() == settled
        assert len(mail.outbox) == sent
        run = app.tasks["planner.jobs.tasks.run_job"]
        (job,) = jobs.Job.objects.all()
        run(str(job.uid))
        done = everything()
        run(str(job.uid))
        assert everything() == done
        job.refresh_from_db()
        assert (job.state, job.starts) == ("done", 1)
