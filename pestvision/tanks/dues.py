"""Which looks are due, from how the tanks stand: for the calendar."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from pestvision.tanks.moments import EVENING
from pestvision.tanks.reminders import Due
from pestvision.tanks.standing import FRESH, tonight

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pestvision.tanks.standing import Standing


def dues_of(standings: Sequence[Standing], *, now: datetime) -> tuple[Due, ...]:
    """Give the looks due in each tank, and those planned for batches in quarantine.

    Parameters
    ----------
    standings
        How the tanks stand.
    now
        The time now, by the keeper's own clock; nothing is due before tonight. A look of every night comes
        again for a week: a newer file asks for more.
    """
    found: list[Due] = []
    for one in standings:
        if one.next_look is not None:
            first = max(one.next_look, tonight(now))
            until = first + FRESH if one.look_every == 1 else None
            evening = _evening(first, now)
            found.append(Due(one.tank.name, evening, one.why_look, one.look_every, until))
        for risk in one.batches:
            why = f"The batch {risk.batch.name} is in quarantine: look at every animal and plant of it."
            about = f"batch {risk.batch.name.casefold()}"
            found += [Due(one.tank.name, _evening(day, now), why, about=about) for day in risk.plan]
    return tuple(found)


def _evening(day: date, now: datetime) -> datetime:
    return datetime.combine(day, EVENING, tzinfo=now.tzinfo)
