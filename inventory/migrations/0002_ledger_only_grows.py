from django.db import migrations

from inventory import ledger_triggers


class Migration(migrations.Migration):
    dependencies = [("inventory", "0001_initial")]

    operations = [
        migrations.RunPython(ledger_triggers.install_in_migration, ledger_triggers.remove_in_migration),
    ]
