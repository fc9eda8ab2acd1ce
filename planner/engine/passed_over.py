"""Why a batch's line took nothing of a lot. Pure.

For one item and one day the answer is the same for every line, save those whose batch has
reservations of its own and those that must be served from one lot; and it changes only on the days
on which a portion arrives or becomes too short. So the common answer is kept until such a day.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from planner.engine.problem import NEVER, Lot

REASONS = (
    "rejected",
    "held",
    "expired",
    "quarantine",
    "not_yet",
    "too_short",
    "reserved",
    "not_enough",
)
REJECTED, HELD, EXPIRED, QUARANTINE, NOT_YET, TOO_SHORT, ALL_RESERVED, NOT_ENOUGH = range(8)
NO_REASON = len(REASONS)

Named = list[tuple[str, str]]


class _Portion:
    """What decides a portion's reason on a day."""

    __slots__ = ("always", "before_arrival", "here_on", "index", "quantity", "reserved", "too_short_after")

    def __init__(self, index: int, lot: Lot, from_day: int, min_remaining_days: int, reserved: int) -> None:
        self.index = index
        self.quantity = lot.quantity
        self.reserved = reserved
        self.always = _lasting_reason(lot, from_day)
        quarantined = lot.status == "quarantine"
        self.before_arrival = QUARANTINE if quarantined else NOT_YET
        self.here_on = here_on(lot, from_day)
        self.too_short_after = lot.last_day - min_remaining_days

    def reason(self, day: int, own_reserved: int = 0) -> int:
        """The first reason that applies on ``day`` for a batch that has reserved ``own_reserved`` of it."""
        if self.always != NO_REASON:
            return self.always
        if day < self.here_on:
            return self.before_arrival
        if day > self.too_short_after:
            return TOO_SHORT
        return ALL_RESERVED if self.reserved - own_reserved >= self.quantity else NO_REASON

    def holds_until(self, day: int) -> int:
        """The first day after ``day`` on which the reason may be another."""
        if self.always == NO_REASON:
            if day < self.here_on:
                return self.here_on
            if day <= self.too_short_after:
                return self.too_short_after + 1
        return NEVER


_NOTHING: Mapping[int, int] = {}


class _LotOnDay:
    """One lot's portions, and what the lot is named for until a day."""

    __slots__ = ("code", "named", "portions", "until")

    def __init__(self, code: str) -> None:
        self.code = code
        self.portions: list[_Portion] = []
        self.named: tuple[str, str] | None = None
        self.until = -1

    def look(self, day: int) -> None:
        self.named = self.name_for(day, _NOTHING, NO_REASON)
        until = NEVER
        for portion in self.portions:
            until = min(until, portion.holds_until(day))
        self.until = until

    def name_for(self, day: int, own_reserved: Mapping[int, int], usable: int) -> tuple[str, str] | None:
        """The first reason among the portions, None when one has none; ``usable``: the reason of those."""
        first = NO_REASON
        for portion in self.portions:
            reason = portion.reason(day, own_reserved.get(portion.index, 0) if own_reserved else 0)
            if reason == NO_REASON:
                reason = usable
            if reason == NO_REASON:
                return None
            first = min(first, reason)
        return self.code, REASONS[first]


class LotReasons:
    """The reasons of one item's lots, in order of last day and lot."""

    def __init__(self, portions: Sequence[tuple[int, Lot, int]], from_day: int, min_remaining_days: int) -> None:
        """``portions``: index in the problem, the row, and what is reserved of it. Days never go back."""
        lots: dict[str, _LotOnDay] = {}
        for index, lot, reserved in sorted(portions, key=lambda each: (each[1].last_day, each[1].lot)):
            if lot.quantity > 0:
                on_day = lots.get(lot.lot)
                if on_day is None:
                    on_day = lots[lot.lot] = _LotOnDay(lot.lot)
                on_day.portions.append(_Portion(index, lot, from_day, min_remaining_days, reserved))
        self._lots = list(lots.values())
        self._kept: Named = []
        self._kept_until = -1

    def on(self, day: int) -> Named:
        """The lots to name on ``day``, each with its first reason; one list while nothing changes."""
        if day >= self._kept_until:
            for lot in self._lots:
                if day >= lot.until:
                    lot.look(day)
            self._kept = [lot.named for lot in self._lots if lot.named]
            self._kept_until = min([lot.until for lot in self._lots], default=NEVER)
        return self._kept

    def for_line(self, day: int, own_reserved: Mapping[int, int], too_small: Collection[str]) -> Named:
        """As ``on``, for a batch with reservations (by portion index) or a line that found lots too small."""
        if not own_reserved and not too_small:
            return self.on(day)
        named = (
            lot.name_for(day, own_reserved, NOT_ENOUGH if lot.code in too_small else NO_REASON) for lot in self._lots
        )
        return [each for each in named if each]


def here_on(lot: Lot, from_day: int) -> int:
    """The day from which a portion counts, ``NEVER`` for a quarantined one without a day."""
    if lot.status == "quarantine":
        return NEVER if lot.available_on is None else max(from_day, lot.available_on)
    return max(from_day, lot.received_on or from_day, lot.available_on or from_day)


def _lasting_reason(lot: Lot, from_day: int) -> int:
    """The reason that holds whatever the day."""
    if lot.status == "rejected":
        return REJECTED
    if lot.status == "held" or lot.set_apart:
        return HELD
    if lot.last_day < from_day:
        return EXPIRED
    if lot.retest_on < from_day:
        return QUARANTINE
    return NO_REASON
