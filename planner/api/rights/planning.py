"""Who may do what with the plan, alerts, traces, and the tables as a whole."""

from planner.api.roles import BUYER, MAKER, OWNER, QUALITY, READERS, READERS_AND_HELPER

RIGHTS = {
    ("GET", "plan"): READERS,
    ("GET", "plan-requirements"): READERS,
    ("POST", "proposal-accept"): (MAKER, BUYER, OWNER),
    ("GET", "trace"): READERS,
    ("GET", "trace-affected"): READERS,
    ("POST", "trace-hold"): (QUALITY,),
    ("POST", "trace-release"): (QUALITY,),
    ("GET", "verification"): READERS,
    ("GET", "alerts"): READERS,
    ("POST", "alerts-refresh"): (MAKER, BUYER, OWNER),
    ("GET", "reviews"): READERS,
    ("POST", "reviews"): (MAKER, BUYER, OWNER),
    ("GET", "tables"): (MAKER, OWNER),
    ("GET", "tables-report"): (MAKER, OWNER),
    ("POST", "tables"): (OWNER,),
    ("GET", "counts"): READERS_AND_HELPER,
}

# Whose proposals of each kind become firm: by the same roles that plan batches and place orders.
ACCEPTS = {"make": (MAKER, OWNER), "buy": (BUYER, OWNER)}
