"""Who may do what with formulas and batches."""

from planner.api.roles import HELPER, MAKER, OWNER, QUALITY, READERS, READERS_AND_HELPER

MAKING = (MAKER, OWNER)
AT_THE_BENCH = (HELPER, MAKER, OWNER)
DECIDING = (QUALITY, OWNER)

RIGHTS = {
    ("GET", "formulas"): READERS,
    ("POST", "formulas"): MAKING,
    ("GET", "formula"): READERS,
    ("POST", "formula-versions"): MAKING,
    ("GET", "formula-version"): READERS,
    ("PUT", "formula-version"): MAKING,
    ("POST", "formula-version-copy"): MAKING,
    ("POST", "formula-version-approve"): DECIDING,
    ("POST", "formula-version-retire"): DECIDING,
    ("GET", "batches"): READERS_AND_HELPER,
    ("POST", "batches"): MAKING,
    ("GET", "batch"): READERS_AND_HELPER,
    ("PATCH", "batch"): MAKING,
    ("POST", "batch-reserve"): MAKING,
    ("POST", "batch-unreserve"): MAKING,
    ("POST", "batch-start"): MAKING,
    ("POST", "batch-cancel"): MAKING,
    ("POST", "batch-weigh"): AT_THE_BENCH,
    ("POST", "batch-draw-water"): AT_THE_BENCH,
    ("POST", "batch-add"): AT_THE_BENCH,
    ("POST", "batch-correct-weighing"): AT_THE_BENCH,
    ("POST", "batch-sign-step"): AT_THE_BENCH,
    ("POST", "batch-record-check"): AT_THE_BENCH,
    ("POST", "batch-finish"): MAKING,
    ("POST", "batch-make-and-fill"): MAKING,
    ("POST", "batch-abandon"): MAKING,
    ("POST", "batch-reopen"): MAKING,
}
