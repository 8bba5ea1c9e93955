"""A tank's nights, and what is taken for granted of it, as the sums of `presence` need them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

from pestvision.tanks.cohorts import Arrivals, history_of
from pestvision.tanks.presence import Assumed, presence_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.settings import TankSettings
    from pestvision.tanks.cohorts import History
    from pestvision.tanks.presence import Looks, Presence
    from pestvision.tanks.records import Night

DAYS_A_WEEK: Final = 7


@dataclass(frozen=True, slots=True)
class Case:
    """One tank on one day. Made by `case_of`.

    Parameters
    ----------
    nights
        Those up to the day, in the order of time.
    today
        The day.
    settings
        What is taken for granted of every tank.
    additions
        Days on which something was put in.
    exposed
        Day from which on looks can tell of a contact; None where there was none, or nothing is known of when.
    last
        Evening of the last sighting.
    is_brooding
        One with eggs or young was seen not long before it.
    history, assumed
        The same for the sums.
    """

    nights: tuple[Night, ...]
    today: date
    settings: TankSettings
    additions: tuple[date, ...]
    exposed: date | None
    last: date | None
    is_brooding: bool
    history: History
    assumed: Assumed

    @property
    def earliest(self) -> date | None:
        """Before this day it cannot be called clear; None where none was ever seen."""
        return None if self.last is None else self.last + wait_of(self.settings.brooding_weeks)

    @property
    def n_clean(self) -> int:
        """Clean looks since the last sighting, or all where there was none."""
        last = self.last
        return sum(
            night.is_look and not night.seen and (last is None or night.day > last)
            for night in self.nights
        )

    def presence(self, days: Sequence[date], looks: Looks | None = None) -> Presence:
        """Weigh what may be there on some days, given that the looks to come are clean."""
        ordinals = [day.toordinal() for day in days]
        return presence_at(ordinals, self.history, self.assumed, looks=looks)


def case_of(
    nights: Sequence[Night],
    today: date,
    settings: TankSettings,
    *,
    additions: Sequence[date] = (),
    is_exposed: bool = False,
    exposed_since: date | None = None,
) -> Case:
    """Gather what the sums need. The parameters are those of `clearance.how_clear`."""
    past = tuple(
        sorted((night for night in nights if night.day <= today), key=lambda night: night.day)
    )
    last = max((night.day for night in past if night.seen), default=None)
    exposed = last if exposed_since is None and is_exposed else exposed_since
    put_in = tuple(day for day in additions if day <= today)
    is_brooding = last is not None and any(
        night.brooding and night.day >= last - wait_of(settings.brooding_weeks) for night in past
    )
    first = min((night.day for night in past), default=today)
    # what came in before the first night was there on it: no look lies between
    events = [(max(day, first).toordinal(), settings.introduced_by_addition) for day in put_in]
    if exposed is not None:
        events.append((max(exposed, first).toordinal(), settings.there_exposed))
    is_undated = is_exposed and exposed is None
    arrivals = Arrivals(
        at_first=settings.there_exposed if is_undated else settings.there_unseen,
        a_week=settings.introduced_a_week,
        events=tuple(events),
        hatched=settings.hidden_brood,
    )
    assumed = Assumed(
        arrivals=arrivals,
        hidden_brood=settings.hidden_brood_seen if is_brooding else settings.hidden_brood,
        hidden_in_new=settings.hidden_brood,
        hidden_days=wait_of(settings.hidden_weeks).days,
        gone=settings.gone_untaken,
    )
    return Case(
        nights=past,
        today=today,
        settings=settings,
        additions=put_in,
        exposed=exposed,
        last=last,
        is_brooding=is_brooding,
        history=_history(past, today),
        assumed=assumed,
    )


def wait_of(weeks: float) -> timedelta:
    """Give weeks as whole days, rather more than less."""
    return timedelta(days=math.ceil(weeks * DAYS_A_WEEK))


def _history(past: tuple[Night, ...], today: date) -> History:
    if not past:  # a night that looked at nothing tells nothing
        return history_of([today.toordinal()], [0.0], [0], [0])
    return history_of(
        [night.day.toordinal() for night in past],
        [night.effort if night.is_look else 0.0 for night in past],
        [night.seen for night in past],
        [night.taken for night in past],
    )
