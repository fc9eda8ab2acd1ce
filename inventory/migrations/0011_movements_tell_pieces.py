from django.db import migrations, models

from inventory import ledger_triggers


class Migration(migrations.Migration):

    dependencies = [
        ('inventory', '0010_changes_of_protocols'),
    ]

    operations = [
        migrations.RemoveIndex(model_name='movement', name='movement_of_making'),
        migrations.AddField(
            model_name='movement',
            name='in_pieces',
            field=models.BooleanField(db_default=False, default=False),
        ),
        migrations.RunPython(ledger_triggers.tell_pieces_in_migration, ledger_triggers.install_as_before_movements_repeated),
        migrations.AddIndex(
            model_name='movement',
            index=models.Index(condition=models.Q(('making__isnull', False)), fields=['making', 'lot', 'quantity', 'in_pieces'], name='movement_in_making'),
        ),
    ]
