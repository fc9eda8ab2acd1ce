"""The calendar of one person: what they are told of, each as an event of a whole day (RFC 5545, RFC 7986)."""

from __future__ import annotations

from datetime import timedelta

from icalendar import Calendar, Event

from planner.notices.addressees import addressees
from planner.notices.links import page_url
from planner.notices.looking import begin
from planner.notices.models import Notice

MOST_EVENTS = 2_000
NAME = "Weighhouse"


def calendar_of(person: int) -> bytes:
    """The calendar of a person as iCalendar text: what stands open or put off for them, by day. Fixed queries.

    The UID of an event is its notice's and stays; DTSTAMP is when the notice last changed, so that an unchanged
    calendar is the same text.
    """
    look = begin(whole=False)
    people = addressees(look.today)
    calendar = Calendar()
    calendar.add("prodid", "-//Weighhouse//notices//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", NAME)
    calendar.add("x-wr-calname", NAME)
    calendar.add("refresh-interval", timedelta(hours=1), parameters={"VALUE": "DURATION"})
    if person in people.people:
        mine = people.told_to(people.people[person], look.kinds)
        open_ones = Notice.objects.filter(mine, gone_at=None, state__in=(Notice.State.OPEN, Notice.State.PUT_OFF))
        for notice in open_ones.order_by("by_day")[:MOST_EVENTS]:
            calendar.add_component(_event(notice))
    return bytes(calendar.to_ical())


def _event(notice: Notice) -> Event:
    event = Event()
    event.add("uid", f"{notice.uid}@weighhouse")
    event.add("dtstamp", notice.updated_at)
    event.add("last-modified", notice.updated_at)
    event.add("dtstart", notice.due_on)
    event.add("dtend", notice.due_on + timedelta(days=1))  # the day after is not in it any more
    event.add("summary", notice.what)
    if notice.why:
        event.add("description", notice.why)
    event.add("categories", [notice.kind.replace("_", " ")])
    event.add("transp", "TRANSPARENT")
    event.add("sequence", notice.opening - 1)
    url = page_url(notice.kind, notice.subject)
    if url:
        event.add("url", url)
    return event
