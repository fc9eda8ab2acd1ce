"""The Celery application: tasks are found in the apps' ``tasks.py``, the beat schedule stands in settings."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "planner.settings")

app = Celery("weighhouse")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
