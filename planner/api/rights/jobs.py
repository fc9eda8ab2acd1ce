"""Who may ask for heavy work and see it: whoever may do the same at once."""

from planner.api.rights.planning import RIGHTS as AT_ONCE
from planner.api.roles import READERS

# The roles of each kind of job: those of the act itself.
ASKS = {
    "plan": AT_ONCE["GET", "plan"],
    "trace": AT_ONCE["GET", "trace"],
    "export": AT_ONCE["GET", "tables"],
    "import": AT_ONCE["POST", "tables"],
}

# Of the jobs, each sees the kinds that the roles cover; ending one is for who asked, and for an owner.
RIGHTS = {
    ("POST", "job-plan"): ASKS["plan"],
    ("POST", "job-trace"): ASKS["trace"],
    ("POST", "job-export"): ASKS["export"],
    ("POST", "job-import"): ASKS["import"],
    ("GET", "jobs"): READERS,
    ("GET", "job"): READERS,
    ("GET", "job-result"): READERS,
    ("GET", "job-rows"): ASKS["import"],
    ("POST", "job-agree"): ASKS["import"],
    ("POST", "job-cancel"): READERS,
}
