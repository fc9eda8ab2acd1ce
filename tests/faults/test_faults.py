"""Real processes, really broken: afterwards nothing that was due is unsent, and no stock is lost or doubled."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.faults.scenarios import ON_A_SERVER, disk_full_on_sqlite
from tests.faults.stage import Outcome, Server, server
from tests.processes.machinery import has_servers

pytestmark = pytest.mark.slow
TRIES = 1  # `python -m tests.faults` breaks each thing more often


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One service for all faults: each finds what the ones before left."""
    if not has_servers():
        pytest.skip("this machine has no programs of PostgreSQL and Redis")
    with server(tmp_path_factory.mktemp("stage")) as found:
        yield found


@pytest.mark.parametrize("fault", ON_A_SERVER, ids=lambda fault: fault.__name__)
def test_nothing_is_lost_or_doubled(stage: Server, fault: Callable[[Server, int], Outcome]) -> None:
    outcome = fault(stage, TRIES)
    print(outcome)
    assert (outcome.lost, outcome.doubled) == (0, 0), outcome


def test_a_full_disk_loses_and_doubles_nothing(tmp_path: Path) -> None:
    outcome = disk_full_on_sqlite(tmp_path, TRIES)
    print(outcome)
    assert (outcome.lost, outcome.doubled) == (0, 0), outcome
