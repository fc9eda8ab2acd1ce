"""Who may blank a private customer: as the API's table says of the same act."""

from planner.api.rights.privacy import RIGHTS as PRIVACY

RIGHTS = {(method, "privacy"): PRIVACY["POST", "party-blank"] for method in ("GET", "POST")}
