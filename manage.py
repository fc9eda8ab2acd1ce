#!/usr/bin/env python
"""The door to every command: ``python manage.py demo``, ``load``, ``plan``, ``trace``, ``serve`` and so on."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
