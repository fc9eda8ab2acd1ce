"""Fill the database that DATABASE_URL names with the workload of one size. Run by ``python -m tests.benchmarks``."""

from __future__ import annotations

import os
import sys

import django

if "DATABASE_URL" not in os.environ:
    sys.exit("DATABASE_URL must name the database: the workshop's own is never filled")
django.setup()

from django.core.management import call_command  # noqa: E402

from inventory.models import Item, Lot  # noqa: E402
from tests.benchmarks.sizes import ORIGIN_LOT, SIZES  # noqa: E402
from tests.benchmarks.writing import fill  # noqa: E402


def main() -> None:
    """Exit code 1 where the database holds something else; one that this size filled before is used again."""
    size, seed = SIZES[sys.argv[1]], int(sys.argv[2])
    call_command("migrate", verbosity=0, interactive=False)
    if not Item.objects.exists():
        fill(size, seed=seed)
    elif Item.objects.count() != size.items or not Lot.objects.filter(number=ORIGIN_LOT).exists():
        sys.exit("the database is not empty, and what it holds is not this workload; nothing was changed")


if __name__ == "__main__":
    main()
