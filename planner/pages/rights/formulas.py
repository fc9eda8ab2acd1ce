"""Who may read, write and decide on formulas: as the API's table says of the same acts. A helper sees none."""

from planner.api.roles import MAKER, OWNER, QUALITY, READERS

_WRITING = (MAKER, OWNER)
_DECIDING = (QUALITY, OWNER)

RIGHTS = {
    ("GET", "formulas"): READERS,
    ("GET", "formula-version"): READERS,
    ("GET", "formula-compare"): READERS,
    **{
        (method, route): _WRITING
        for method in ("GET", "POST")
        for route in ("formula-new", "formula-edit", "formula-version-copy")
    },
    **{
        (method, route): _DECIDING
        for method in ("GET", "POST")
        for route in ("formula-version-approve", "formula-version-retire")
    },
}
