"""Who may read and write protocols of stability: as the API's table says of the same acts."""

from planner.api.rights.stability import RIGHTS as STABILITY

RIGHTS = {
    ("GET", "protocols"): STABILITY["GET", "protocols"],
    ("GET", "protocol"): STABILITY["GET", "protocol"],
    **{(method, "protocol-new"): STABILITY["POST", "protocols"] for method in ("GET", "POST")},
    **{(method, "protocol-change"): STABILITY["PUT", "protocol"] for method in ("GET", "POST")},
}
