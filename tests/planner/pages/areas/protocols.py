"""Protocols in the demo's workshop."""

from __future__ import annotations

from production.models import Protocol
from production.services.stability import ConditionSpec, ProtocolSpec, PullTimeSpec, make_protocol


def more_protocols(count: int) -> None:
    first = Protocol.objects.count()
    spec = ProtocolSpec("A look", [ConditionSpec("25 C")], [PullTimeSpec("week", 0, 0, 2)])
    for at in range(count):
        make_protocol(code=f"P-{first + at}", spec=spec)


WHERE = {route: lambda: {"protocol": "COMMON"} for route in ("protocol", "protocol-change")}
FILLERS = {"protocols": more_protocols}
