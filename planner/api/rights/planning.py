"""Who may do what with the plan, alerts, traces, and the tables as a whole."""

from planner.api.roles import BUYER, MAKER, OWNER, QUALITY, READERS

RIGHTS = {
    ("GET", "plan"): READERS,
    ("GET", "plan-requirements"): READERS,
    ("POST", "proposal-accept"): (MAKER, BUYER, OWNER),
    ("GET", "trace"): READERS,
    ("GET", "trace-affected"): READERS,
    ("POST", "trace-hold"): (QUALITY,),
    ("POST", "trace-release"): (QUALITY,),
    ("GET", "verification"): READERS,
}
