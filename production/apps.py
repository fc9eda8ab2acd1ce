from django.apps import AppConfig


class ProductionConfig(AppConfig):
    name = "production"

    def ready(self) -> None:
        from inventory import objections
        from production.waiting import failed_checks_of_lots

        objections.register(failed_checks_of_lots)
