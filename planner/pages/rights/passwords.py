"""The pages for who has forgotten a password: open."""

from planner.api.roles import ANYONE

RIGHTS = {
    ("GET", "password-forgotten"): (ANYONE,),
    ("POST", "password-forgotten"): (ANYONE,),
    ("GET", "password-sent"): (ANYONE,),
    ("GET", "password-new"): (ANYONE,),
    ("POST", "password-new"): (ANYONE,),
}
