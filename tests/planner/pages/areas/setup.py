"""Settings, places and holidays in the demo's workshop."""

from __future__ import annotations

from inventory.models import Lot, Portion


def a_place() -> str:
    return f"place={Portion.objects.filter(on_hand__gt=0).exclude(place='').order_by('pk')[0].place}"


def more_portions(count: int) -> None:
    place, lot, first = (
        a_place().removeprefix("place="),
        Lot.objects.exclude(expires_on=None).order_by("pk")[0],
        Portion.objects.count(),
    )
    Portion.objects.bulk_create(
        Portion(lot=lot, place=place, container=f"jar {first + at}", on_hand=1000) for at in range(count)
    )


def more_places(count: int) -> None:
    lot, first = Lot.objects.exclude(expires_on=None).order_by("pk")[0], Portion.objects.count()
    Portion.objects.bulk_create(Portion(lot=lot, place=f"shelf {first + at}", on_hand=1000) for at in range(count))


QUERY = {"place": a_place}
FILLERS = {"place": more_portions, "places": more_places}
