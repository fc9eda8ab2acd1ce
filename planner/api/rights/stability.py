"""Who may do what with stability and retained samples: quality decides, the bench looks at what is due."""

from planner.api.roles import MAKER, OWNER, QUALITY, READERS

LOOKING = (MAKER, QUALITY)
SAMPLING = (MAKER, QUALITY, OWNER)

RIGHTS = {
    ("GET", "protocols"): READERS,
    ("POST", "protocols"): (QUALITY,),
    ("GET", "protocol"): READERS,
    ("PUT", "protocol"): (QUALITY,),
    ("GET", "studies"): READERS,
    ("POST", "studies"): (QUALITY,),
    ("GET", "study"): READERS,
    ("POST", "study-close"): (QUALITY,),
    ("GET", "study-pulls"): READERS,
    ("GET", "pulls"): READERS,
    ("GET", "pull"): READERS,
    ("POST", "pull-done"): LOOKING,
    ("POST", "pull-readings"): LOOKING,
    ("POST", "pull-missed"): LOOKING,
    ("POST", "pull-reopen"): (QUALITY,),
    ("GET", "shelf-life"): READERS,
    ("GET", "retained-samples"): READERS,
    ("POST", "lot-retain"): SAMPLING,
    ("POST", "retained-sample-take"): SAMPLING,
}
