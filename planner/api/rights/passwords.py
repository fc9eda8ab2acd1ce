"""Who may make a code for a new password, and who may bring one."""

from planner.api.roles import ANYONE, OWNER

RIGHTS = {
    ("POST", "person-reset"): (OWNER,),
    ("POST", "passwords"): (ANYONE,),
}
