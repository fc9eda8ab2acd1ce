"""``serve`` as a process of its own: web, worker and beat in one, a start page that says so, and a clean stop."""

from __future__ import annotations

import http.client
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
import waitress
from django.core.wsgi import get_wsgi_application
from django.test import Client

from planner.management.commands.serve import without_bodies_of_heads
from planner.people import make_person

ROOT = Path(__file__).resolve().parents[2]


def variables(database: Path) -> dict[str, str]:
    """The environment of a plain one-process workshop, whatever the tests themselves run on."""
    ours = {"DEBUG", "SECRET_KEY", "ALLOWED_HOSTS", "REDIS_URL", "TIME_ZONE"}
    kept = {name: value for name, value in os.environ.items() if name not in ours}
    return kept | {"DATABASE_URL": f"sqlite:///{database}"}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def page(url: str, seconds: float = 60) -> str:
    """The page's text, once the server answers."""
    end = time.monotonic() + seconds
    while True:
        try:
            with urllib.request.urlopen(url, timeout=5) as answer:
                text: str = answer.read().decode()
                return text
        except (urllib.error.URLError, ConnectionError):
            if time.monotonic() > end:
                raise
            time.sleep(0.2)


def zone_where_it_is_noon() -> str:
    """The day's look is made in the morning: whenever the test runs, it is past it there. (POSIX signs run the other
    way: Etc/GMT-3 is three hours ahead.)"""
    ahead = 12 - time.gmtime().tm_hour
    return f"Etc/GMT{-ahead:+d}" if ahead else "UTC"


@pytest.mark.slow
def test_everything_runs_in_one_process_and_stops_when_told(tmp_path: Path) -> None:
    database = tmp_path / "house.sqlite3"
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", "--port", str(port)],
        cwd=ROOT,
        env=variables(database) | {"TIME_ZONE": zone_where_it_is_noon()},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        start = page(f"http://127.0.0.1:{port}/")
        assert start.count("<td>running</td>") == 3
        assert "Nobody can sign in yet" in start
        # The beat rings the bell at its start, and the worker makes the day's look at the plan.
        end = time.monotonic() + 60
        reviews = 0
        while not reviews and time.monotonic() < end:
            with sqlite3.connect(database) as looking:
                reviews = looking.execute(
                    "SELECT count(*) FROM planner_review WHERE finished_at IS NOT NULL"
                ).fetchone()[0]
            time.sleep(0.3)
        assert reviews == 1
    finally:
        process.send_signal(signal.SIGTERM)
        said, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    assert "Traceback" not in said


@pytest.mark.slow
def test_a_taken_port_is_told_in_a_sentence(tmp_path: Path, new_workshop: Path) -> None:
    shutil.copy(new_workshop, tmp_path / "house.sqlite3")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "manage.py", "serve", "--port", str(port)],
            cwd=ROOT,
            env=variables(tmp_path / "house.sqlite3"),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode == 1
    assert f"cannot listen on 127.0.0.1:{port}" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_database_is_served_once_and_again_when_who_served_it_was_killed(tmp_path: Path, new_workshop: Path) -> None:
    database = tmp_path / "house.sqlite3"
    shutil.copy(new_workshop, database)
    held = (
        "import django; django.setup()\n"
        "from planner.management.commands.serve import alone_at_the_database\n"
        "with alone_at_the_database():\n"
        "    print('held', flush=True); input()\n"
    )
    told = variables(database) | {"DJANGO_SETTINGS_MODULE": "planner.settings"}
    first = subprocess.Popen(
        [sys.executable, "-c", held], cwd=ROOT, env=told, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert first.stdout is not None
        assert first.stdout.readline() == "held\n"
        done = subprocess.run(
            [sys.executable, "manage.py", "serve", "--port", str(free_port())],
            cwd=ROOT, env=told, capture_output=True, text=True, check=False, timeout=120,
        )  # fmt: skip
        assert done.returncode == 1
        assert "is served already" in done.stderr
    finally:
        first.kill()
        first.communicate()
    again = subprocess.run(
        [sys.executable, "-c", held], cwd=ROOT, env=told, input="\n", capture_output=True, text=True, check=False
    )
    assert again.stdout == "held\n"


def test_an_address_that_is_none_is_told_in_a_sentence(tmp_path: Path, new_workshop: Path) -> None:
    shutil.copy(new_workshop, tmp_path / "house.sqlite3")
    done = subprocess.run(
        [sys.executable, "manage.py", "serve", "--host", "300.1.1.1"],
        cwd=ROOT,
        env=variables(tmp_path / "house.sqlite3"),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert "cannot listen on 300.1.1.1:8000" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.django_db
def test_the_start_page_tells_strangers_what_runs_but_not_what_the_workshop_holds(client: Client) -> None:
    text = client.get("/").content.decode()
    assert "What runs here" in text
    assert "What the workshop holds" not in text


@pytest.mark.django_db
def test_who_signs_in_begins_with_the_day_and_who_has_no_role_sees_nothing_of_the_shop(client: Client) -> None:
    make_person(username="ida", password="a long word of mine", roles=["maker"])
    make_person(username="otto", password="a long word of mine")
    answer = client.post("/sign-in", {"username": "ida", "password": "a long word of mine"}, follow=True)
    assert answer.redirect_chain[-1][0] == "/day"
    client.logout()
    answer = client.post("/sign-in", {"username": "otto", "password": "a long word of mine"}, follow=True)
    assert answer.status_code == 200
    assert "Week sheet" not in answer.content.decode()


@pytest.mark.django_db
def test_a_wrong_password_is_told_beside_the_form(client: Client) -> None:
    answer = client.post("/sign-in", {"username": "ida", "password": "wrong"})
    assert "do not fit together" in answer.content.decode()


def test_nothing_follows_the_headers_of_an_answer_to_head() -> None:
    """Two requests on one connection: the second answer is read where the first one ended."""
    server = waitress.create_server(
        without_bodies_of_heads(get_wsgi_application()), host="127.0.0.1", port=free_port(), threads=1
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    connection = http.client.HTTPConnection("127.0.0.1", server.effective_port, timeout=20)
    try:
        for method in ("HEAD", "GET"):
            connection.request(method, "/no/such/page", headers={"Host": "localhost"})
            answer = connection.getresponse()
            assert answer.status in (302, 404)
            answer.read()
    finally:
        connection.close()
        server.close()
