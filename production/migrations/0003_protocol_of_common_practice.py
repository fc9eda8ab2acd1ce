"""A new workshop begins with one protocol, which it may change: common practice, no source."""

from django.db import migrations

WEEKS = (0, 1, 2, 4, 8, 12)
MONTHS = (6, 9, 12, 18, 24)
CONDITIONS = ("4", "25", "40")
TESTS = (
    "looks as at the start: colour, surface, no separation",
    "smells as at the start",
    "pack sound, no leak, no swelling",
)


def window_of(unit, count):
    """Two days either side to week 4, seven days later."""
    return 2 if unit == "week" and count <= 4 else 7


def write(apps, schema_editor):
    Protocol = apps.get_model("production", "Protocol")
    PullTime = apps.get_model("production", "PullTime")
    ProtocolCondition = apps.get_model("production", "ProtocolCondition")
    ProtocolTest = apps.get_model("production", "ProtocolTest")
    protocol = Protocol.objects.create(code="COMMON", name="common practice, no source")
    times = [("week", count) for count in WEEKS] + [("month", count) for count in MONTHS]
    PullTime.objects.bulk_create(
        PullTime(
            protocol=protocol,
            unit=unit,
            count=count,
            days_before=window_of(unit, count),
            days_after=window_of(unit, count),
        )
        for unit, count in times
    )
    ProtocolCondition.objects.bulk_create(
        ProtocolCondition(protocol=protocol, position=position, name=f"{degrees} C", temperature_c=degrees)
        for position, degrees in enumerate(CONDITIONS, 1)
    )
    ProtocolTest.objects.bulk_create(
        ProtocolTest(protocol=protocol, position=position, name=name, expected="yes")
        for position, name in enumerate(TESTS, 1)
    )


class Migration(migrations.Migration):
    dependencies = [("production", "0002_stability")]

    operations = [migrations.RunPython(write, migrations.RunPython.noop)]
