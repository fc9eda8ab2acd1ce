from django.db import migrations

from inventory import ledger_triggers


class Migration(migrations.Migration):
    dependencies = [("inventory", "0003_closed_why_and_happened_at")]

    operations = [
        migrations.RunPython(ledger_triggers.install_as_before_movements_repeated, migrations.RunPython.noop),
    ]
