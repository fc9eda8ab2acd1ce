"""Who may do what with notices and upkeep; and everyone with their own letters, absence and calendar."""

from planner.api.roles import BUYER, HELPER, MAKER, OWNER, QUALITY, READERS_AND_HELPER, SIGNED_IN

# Those it is for see to a notice; the service looks at each.
SEEING_TO = (HELPER, MAKER, BUYER, QUALITY, OWNER)

RIGHTS = {
    ("GET", "notices"): READERS_AND_HELPER,
    ("GET", "notice"): READERS_AND_HELPER,
    ("POST", "notice-done"): SEEING_TO,
    ("POST", "notice-put-off"): SEEING_TO,
    ("POST", "notice-reopen"): SEEING_TO,
    ("GET", "notice-kinds"): READERS_AND_HELPER,
    ("PATCH", "notice-kind"): (OWNER,),
    ("GET", "upkeep"): READERS_AND_HELPER,
    ("POST", "upkeep"): (MAKER, OWNER),
    ("GET", "upkeep-job"): READERS_AND_HELPER,
    ("PATCH", "upkeep-job"): (MAKER, OWNER),
    ("POST", "upkeep-done"): (HELPER, MAKER, QUALITY, OWNER),
    ("GET", "me-letter"): (SIGNED_IN,),
    ("PATCH", "me-letter"): (SIGNED_IN,),
    ("GET", "me-away"): (SIGNED_IN,),
    ("PUT", "me-away"): (SIGNED_IN,),
    ("GET", "me-calendar"): (SIGNED_IN,),
    ("POST", "me-calendar"): (SIGNED_IN,),
    ("DELETE", "me-calendar"): (SIGNED_IN,),
}
