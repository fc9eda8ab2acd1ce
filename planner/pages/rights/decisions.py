"""Who may look at what waits, and decide on studies: as the API's table says of the same acts."""

from planner.api.roles import MAKER, QUALITY, READERS

_LOOKING = (MAKER, QUALITY)

RIGHTS = {
    ("GET", "decisions"): READERS,
    ("GET", "studies"): READERS,
    ("GET", "study"): READERS,
    ("GET", "study-start"): (QUALITY,),
    ("POST", "study-start"): (QUALITY,),
    ("GET", "study-close"): (QUALITY,),
    ("POST", "study-close"): (QUALITY,),
    ("GET", "pull"): READERS,
    ("POST", "pull"): _LOOKING,
    ("GET", "pull-missed"): _LOOKING,
    ("POST", "pull-missed"): _LOOKING,
    ("GET", "pull-reopen"): (QUALITY,),
    ("POST", "pull-reopen"): (QUALITY,),
}
