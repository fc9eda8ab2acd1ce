"""Who may see to people, and everyone to themselves: as the API's table says of the same acts."""

from planner.api.rights.passwords import RIGHTS as PASSWORDS
from planner.api.rights.people import RIGHTS as PEOPLE
from planner.api.roles import SIGNED_IN

RIGHTS = {
    ("GET", "people"): PEOPLE["GET", "people"],
    **{(method, "person-add"): PEOPLE["POST", "people"] for method in ("GET", "POST")},
    **{(method, "person"): PEOPLE["PATCH", "person"] for method in ("GET", "POST")},
    **{(method, "person-reset"): PASSWORDS["POST", "person-reset"] for method in ("GET", "POST")},
    **{(method, "person-pin-end"): PEOPLE["PATCH", "person"] for method in ("GET", "POST")},
    ("GET", "myself"): (SIGNED_IN,),
    **{
        (method, route): (SIGNED_IN,)
        for method in ("GET", "POST")
        for route in ("my-password", "my-letters", "my-away", "my-calendar", "my-calendar-end", "my-pin", "my-pin-end")
    },
}
