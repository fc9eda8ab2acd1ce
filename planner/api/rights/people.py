"""Who may do what with people, tokens, the settings, and the schema."""

from planner.api.roles import ANYONE, OWNER, READERS_AND_HELPER, SIGNED_IN

RIGHTS = {
    ("GET", "me"): (SIGNED_IN,),
    ("GET", "people"): (OWNER,),
    ("POST", "people"): (OWNER,),
    ("GET", "person"): (OWNER,),
    ("PATCH", "person"): (OWNER,),
    ("POST", "tokens"): (ANYONE,),
    ("GET", "tokens"): (SIGNED_IN,),
    ("DELETE", "token"): (SIGNED_IN,),
    ("GET", "settings"): READERS_AND_HELPER,
    ("PATCH", "settings"): (OWNER,),
    ("GET", "schema"): (SIGNED_IN,),
    ("GET", "schema-page"): (SIGNED_IN,),
}
