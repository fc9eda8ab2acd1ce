"""Who may see and fill batch sheets: as the API's table says of the same acts."""

from planner.api.roles import HELPER, MAKER, OWNER, READERS_AND_HELPER

_BENCH = (HELPER, MAKER, OWNER)
_MAKING = (MAKER, OWNER)

RIGHTS = {
    ("GET", "batch-sheets"): READERS_AND_HELPER,
    ("GET", "batch"): READERS_AND_HELPER,
    ("POST", "batch"): _BENCH,
    **{
        (method, route): _BENCH
        for method in ("GET", "POST")
        for route in ("batch-add", "batch-sign-step", "batch-record-check", "batch-paper", "batch-correct-weighing")
    },
    **{
        (method, route): _MAKING
        for method in ("GET", "POST")
        for route in ("batch-start", "batch-finish", "batch-abandon", "batch-reopen")
    },
}
