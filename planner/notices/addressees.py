"""Who is told: the people of a role, the deputies of those who are away, and by which channels. Fixed queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

from django.contrib.auth import get_user_model
from django.db.models import Q

from planner.api.roles import OWNER, ROLES
from planner.notices.kinds import ESCALATE_TO, KINDS, Kind
from planner.notices.models import Addressee

MOST_DEPUTIES = 10  # one for another: beyond this somebody stands in for somebody who stands in for them


@dataclass(frozen=True, slots=True)
class Person:
    pk: int
    name: str
    email: str
    roles: frozenset[str]  # by name; the first user has all, see ``holders``
    first_user: bool
    letter: bool
    at_once: bool
    deputy: int | None
    away: bool

    @property
    def rights(self) -> frozenset[str]:
        return frozenset(ROLES) if self.first_user else self.roles


@dataclass(slots=True)
class Addressees:
    """Everyone who may sign in, as they stand on one day."""

    day: date
    people: Mapping[int, Person]
    _found: dict[tuple[str, str, int | None, bool, tuple[str, ...]], list[Person]] = field(default_factory=dict)

    def holders(self, role: str) -> list[Person]:
        """Who has a role. Where nobody has it by name, the first user and the owners stand in."""
        named = [person for person in self.people.values() if role in person.roles]
        if named:
            return named
        return [person for person in self.people.values() if person.first_user or OWNER in person.roles]

    def of(self, kind: Kind, *, role: str = "", person: int | None = None, escalated: bool = False) -> list[Person]:
        """Who is told of a notice: a person, or a role's holders, or those of the kind; deputies for who is away.

        A person whose roles may not see the kind is passed over; where nobody is left, the owners are told.
        """
        key = (kind.name, role, person, escalated, kind.roles)
        if key not in self._found:
            self._found[key] = self._look_up(kind, role, person, escalated)
        return self._found[key]

    def _look_up(self, kind: Kind, role: str, person: int | None, escalated: bool) -> list[Person]:
        if person is not None:
            wanted = [self.people[person]] if person in self.people else []
        else:
            wanted = [one for name in ([role] if role else kind.roles) for one in self.holders(name)]
        if escalated:
            wanted += self.holders(ESCALATE_TO)
        found = self._standing_in(wanted, kind) or self._standing_in(self.holders(OWNER), kind)
        return list({one.pk: one for one in found}.values())

    def _standing_in(self, wanted: Iterable[Person], kind: Kind) -> list[Person]:
        return [found for one in wanted if may_see(kind, found := self.instead_of(one, kind))]

    def instead_of(self, person: Person, kind: Kind) -> Person:
        """The person, or who stands in while they are away; the person again where nobody is there who may."""
        found = person
        for _ in range(MOST_DEPUTIES):
            if not found.away:
                return found if may_see(kind, found) else person
            deputy = self.people.get(found.deputy) if found.deputy is not None else None
            if deputy is None:
                return person
            found = deputy
        return person

    def told_to(self, person: Person, kinds: Mapping[str, Kind]) -> Q:
        """For notices: those that this person is told of on this day."""
        found = Q(pk__in=[])
        for kind in kinds.values():
            if not may_see(kind, person):
                continue
            mine = Q(person=None, role="") if person in self.of(kind) else Q(pk__in=[])
            roles = [role for role in ROLES if person in self.of(kind, role=role)]
            people = [one for one in self.people if person in self.of(kind, person=one)]
            mine |= Q(person=None, role__in=roles) | Q(person__in=people)
            if person in self.of(kind, escalated=True):
                mine |= Q(escalates_on__lte=self.day)
            found |= Q(kind=kind.name) & mine
        return found


def may_see(kind: Kind, person: Person) -> bool:
    return bool(person.rights & set(KINDS[kind.name].seen_by))


def addressees(day: date) -> Addressees:
    """Everyone who is active, with roles, choices and deputy. Three queries."""
    users = get_user_model().objects.filter(is_active=True)
    roles: dict[int, set[str]] = {}
    through = get_user_model().groups.through.objects.filter(user__is_active=True, group__name__in=ROLES)
    for pk, role in through.values_list("user", "group__name"):
        roles.setdefault(pk, set()).add(role)
    choices = {row.person_id: row for row in Addressee.objects.all()}
    found: dict[int, Person] = {}
    columns = ("pk", "username", "first_name", "email", "is_superuser")
    for pk, username, first_name, email, first_user in users.order_by("pk").values_list(*columns):
        choice = choices.get(pk) or Addressee(person_id=pk)
        found[pk] = Person(
            pk=pk,
            name=first_name or username,
            email=email,
            roles=frozenset(roles.get(pk, ())),
            first_user=first_user,
            letter=choice.letter,
            at_once=choice.at_once,
            deputy=choice.deputy_id,
            away=is_away(choice, day),
        )
    return Addressees(day, found)


def is_away(choice: Addressee, day: date) -> bool:
    if choice.away_from is None or day < choice.away_from:
        return False
    return choice.away_to is None or day <= choice.away_to
