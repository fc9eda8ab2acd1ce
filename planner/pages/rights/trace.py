"""Who may trace, and decide on all that a trace reaches: as the API's table says of the same acts."""

from planner.api.roles import QUALITY, READERS

RIGHTS = {
    ("GET", "trace"): READERS,
    ("GET", "trace-picture"): READERS,
    ("GET", "trace-file"): READERS,
    ("GET", "trace-hold"): (QUALITY,),
    ("POST", "trace-hold"): (QUALITY,),
    ("GET", "trace-release"): (QUALITY,),
    ("POST", "trace-release"): (QUALITY,),
}
