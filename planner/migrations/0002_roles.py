"""The roles, as groups. Their rights stand in planner.api.rights."""

from django.db import migrations

ROLES = ("viewer", "helper", "maker", "buyer", "quality", "owner")


def make_roles(apps, schema_editor):
    Group = apps.get_model("auth", "Group")
    for role in ROLES:
        Group.objects.get_or_create(name=role)


class Migration(migrations.Migration):
    dependencies = [("planner", "0001_initial"), ("auth", "0012_alter_user_first_name_max_length")]
    operations = [migrations.RunPython(make_roles, migrations.RunPython.noop)]
