"""Who may choose who stands at a screen, by a PIN: whoever signed it in. What they may do there their own roles say."""

from planner.api.roles import SIGNED_IN

RIGHTS = {
    ("GET", "bench"): (SIGNED_IN,),
    ("POST", "bench"): (SIGNED_IN,),
    ("POST", "bench-leave"): (SIGNED_IN,),
}
