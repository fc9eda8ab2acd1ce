"""The measurement of notices at tiny size: so that it cannot rot, and what it records is right."""

from __future__ import annotations

import pytest

from planner.notices.models import Notice, Telling
from tests.benchmarks import notices

pytestmark = pytest.mark.django_db


def test_the_sweep_is_measured_and_tells_each_once() -> None:
    figures, faults = notices.measure(due=60, future=500)
    assert faults == []
    assert [figure.what for figure in figures][2:] == [
        "sweep 60 due notices: looked at again, told, recorded",
        "begin and settle the letters",
        "sweep with none due of 560 to come",
    ]
    assert (Notice.objects.count(), Telling.objects.count()) == (560, 120)


def test_a_telling_that_is_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("planner.notices.sweep._insert", lambda *arguments: None)
    _, faults = notices.measure(due=10, future=0)
    assert "0 tellings, not 20" in faults
