"""The pages that are open: the start, signing in and out."""

from planner.api.roles import ANYONE, SIGNED_IN

RIGHTS = {
    ("GET", "start"): (ANYONE,),
    ("GET", "sign-in"): (ANYONE,),
    ("POST", "sign-in"): (ANYONE,),
    ("POST", "sign-out"): (SIGNED_IN,),
}
