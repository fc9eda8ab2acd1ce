"""Is this part of the service well? ``python -m planner.operations.probe web``, ``worker`` or ``beat``: exit code 0.

For the health checks of containers: standard library only, quick to start. The web server is asked whether it is
ready, as a proxy asks; a worker and a beat touch a file while they work (``heartbeat``).
"""

from __future__ import annotations

import http.client
import os
import sys
import time
from pathlib import Path

# A worker touches its file every 10 seconds, a beat rings every 30.
OLDEST_SECONDS = {"worker": 45, "beat": 100}
TIMEOUT_SECONDS = 4


def web_is_ready(port: int) -> str:
    """ "" where it is ready, else what is wrong."""
    hosts = os.environ.get("ALLOWED_HOSTS", "localhost")
    host = hosts.split(",")[0].strip().lstrip(".")
    host = "localhost" if host == "*" else host  # any name does, and the star is none
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=TIMEOUT_SECONDS)
    try:
        connection.request("GET", "/readyz", headers={"Host": host})
        answer = connection.getresponse()
        told = answer.read(2000).decode(errors="replace")
        return "" if answer.status == 200 else f"{answer.status}: {told}"
    except (OSError, http.client.HTTPException) as error:
        return f"no answer: {error}"
    finally:
        connection.close()


def part_is_alive(name: str) -> str:
    folder = os.environ.get("HEARTBEAT_FOLDER")
    if not folder:
        return "HEARTBEAT_FOLDER is not set"
    try:
        age = time.time() - Path(folder, name).stat().st_mtime
    except OSError as error:
        return f"no sign of it: {error.strerror}"
    return "" if age <= OLDEST_SECONDS[name] else f"the last sign of it is {age:.0f} seconds old"


def main(arguments: list[str]) -> int:
    if len(arguments) != 1 or arguments[0] not in ("web", *OLDEST_SECONDS):
        print("accepted: web, worker or beat", file=sys.stderr)
        return 2
    name = arguments[0]
    wrong = web_is_ready(int(os.environ.get("PORT", "8000"))) if name == "web" else part_is_alive(name)
    if wrong:
        print(f"{name}: {wrong}", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
