"""Who may do what with formulas and batches."""

from planner.api.roles import MAKER, OWNER, QUALITY, READERS

DRAFTING = (MAKER, OWNER)
DECIDING = (QUALITY, OWNER)

RIGHTS = {
    ("GET", "formulas"): READERS,
    ("POST", "formulas"): DRAFTING,
    ("GET", "formula"): READERS,
    ("POST", "formula-versions"): DRAFTING,
    ("GET", "formula-version"): READERS,
    ("PUT", "formula-version"): DRAFTING,
    ("POST", "formula-version-copy"): DRAFTING,
    ("POST", "formula-version-approve"): DECIDING,
    ("POST", "formula-version-retire"): DECIDING,
}
