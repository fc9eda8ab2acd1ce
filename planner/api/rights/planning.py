"""Who may do what with the plan, alerts, traces, and the tables as a whole."""

from planner.api.roles import BUYER, MAKER, OWNER, READERS

RIGHTS = {
    ("GET", "plan"): READERS,
    ("GET", "plan-requirements"): READERS,
    ("POST", "proposal-accept"): (MAKER, BUYER, OWNER),
}
