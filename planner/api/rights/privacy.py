"""Who may blank a private customer, and read who changed what."""

from planner.api.roles import BUYER, OWNER, QUALITY

RIGHTS = {
    ("POST", "party-blank"): (BUYER, OWNER),
    ("GET", "changes"): (QUALITY, OWNER),
}
