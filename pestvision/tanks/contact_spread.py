"""How far leeches could have gone along what was carried from tank to tank.

Nothing goes back in time. Two moves of the same second are taken in both orders: what came in may have gone out again
in that second. That is the cautious reading.

**Looking back.** Where leeches are seen, they may have been a while unseen. The tank is taken to have had them from
a look-back before the first sighting of that life on, the brooding window unless told otherwise.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from pestvision.errors import LogError
from pestvision.settings import TankSettings
from pestvision.tanks.contact_graph import RISKS, Contact, History, LifeKey, Risk, second_of

if TYPE_CHECKING:
    from collections.abc import Mapping

WINDOW_DAYS: Final = TankSettings().brooding_weeks * 7
"""The look-back where none is given: young hide under a parent that long (see TankSettings)."""

MAX_WINDOW_DAYS: Final = 3650.0  # a longer look-back is a slip of the hand


@dataclass(frozen=True, slots=True)
class Spread:
    """How far leeches could have gone.

    Parameters
    ----------
    had_from
        By life in which leeches were seen: the second from which on it is taken to have had them. Where that lies
        before the life began, the whole of it is.
    by
        By life that was reached from another tank before that: the contact that reached it first, and the life
        out of which it came.
    """

    had_from: Mapping[LifeKey, float]
    by: Mapping[LifeKey, tuple[Contact, LifeKey]]

    def path(self, key: LifeKey) -> tuple[Contact, ...]:
        """Give the contacts that reached a life, in the order they happened."""
        path = []
        while key in self.by:
            contact, key = self.by[key]
            path.append(contact)
        return tuple(reversed(path))

    def is_carrying(self, key: LifeKey, second: float) -> bool:
        """Say whether a life has to be taken to have leeches at that second."""
        if self.had_from.get(key, float("inf")) <= second:
            return True
        return key in self.by and self.by[key][0].second <= second


def spread(
    history: History,
    *,
    window_days: float = WINDOW_DAYS,
    at_least: Risk = Risk.LOW,
    without: LifeKey | None = None,
) -> Spread:
    """Follow the contacts in time order from every tank that leeches were seen in.

    Parameters
    ----------
    history
        From `history_of`.
    window_days
        How long leeches may have been in a tank before they were first seen there, in days.
    at_least
        Only contacts with a cargo to be feared at least that much.
    without
        A life whose own sightings are left out: what remains is what may have come into it.
    """
    require_window(window_days)
    had_from = {
        key: second_of(first - timedelta(days=window_days))
        for key, first in history.first_seen.items()
        if key != without
    }
    by: dict[LifeKey, tuple[Contact, LifeKey]] = {}
    reached = Spread(had_from, by)
    feared = RISKS[: RISKS.index(at_least) + 1]
    contacts = [contact for contact in history.contacts if contact.risk in feared]
    for _, group in itertools.groupby(contacts, key=lambda contact: contact.second):
        same_second = list(group)
        is_new = True
        while is_new:  # again until nothing is new: both orders of what happened in one second
            is_new = False
            for contact in same_second:
                is_new |= _carry(contact, history, reached, by)
    return reached


def _carry(
    contact: Contact,
    history: History,
    reached: Spread,
    by: dict[LifeKey, tuple[Contact, LifeKey]],
) -> bool:
    """Take one contact, and say whether it reached a life that did not have leeches yet."""
    out_of = history.out_from(contact)
    if not reached.is_carrying(out_of, contact.second):
        return False
    new = [
        key
        for key in history.into_lives(contact)
        if not reached.is_carrying(key, contact.second) and key != out_of
    ]
    for key in new:
        by[key] = (contact, out_of)
    return bool(new)


def require_window(window_days: float) -> float:
    """Give the look-back back, in days.

    Raises
    ------
    LogError
        If it is below 0 or longer than ten years.
    """
    if 0 <= window_days <= MAX_WINDOW_DAYS:
        return window_days
    message = f"A look-back of {window_days:g} days was given."
    raise LogError(message, advice=f"Give 0 to {MAX_WINDOW_DAYS:g} days, such as {WINDOW_DAYS:g}.")
