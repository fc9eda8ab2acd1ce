from django.apps import AppConfig


class PlannerConfig(AppConfig):
    name = "planner"

    def ready(self) -> None:
        from planner import checks  # noqa: F401  (registers the system checks)
