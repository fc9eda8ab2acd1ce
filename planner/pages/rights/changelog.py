"""Who may read who changed what: as the API's table says."""

from planner.api.rights.privacy import RIGHTS as PRIVACY

RIGHTS = {("GET", "changes"): PRIVACY["GET", "changes"]}
