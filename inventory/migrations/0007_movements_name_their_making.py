import django.db.models.deletion
from django.db import migrations, models

from inventory import ledger_triggers


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0006_indexes_of_what_has_a_reason'),
    ]

    operations = [
        migrations.AddField(
            model_name='movement',
            name='making',
            field=models.ForeignKey(db_index=False, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='movements', to='inventory.transformation'),
        ),
        migrations.AddIndex(
            model_name='movement',
            index=models.Index(condition=models.Q(('making__isnull', False)), fields=['lot', 'making', 'quantity'], name='movement_of_lot_in_making'),
        ),
        migrations.AddIndex(
            model_name='movement',
            index=models.Index(condition=models.Q(('making__isnull', False)), fields=['making', 'lot', 'quantity'], name='movement_of_making'),
        ),
        migrations.RemoveIndex(model_name='stockevent', name='stock_event_of_use'),
        migrations.RunPython(ledger_triggers.name_makings_in_migration, ledger_triggers.install_as_before_movements_repeated),
    ]
