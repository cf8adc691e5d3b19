"""How this house works: what is the same for everybody who works through the queue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta


class Refused(Exception):
    """What somebody asked for can't be done; the message says why, to be shown to them."""


@dataclass(frozen=True, slots=True)
class House:
    """Settings of the whole house; `settings.py` says what each may be set to, and keeps what was changed on the page.

    `claim` is how long a listing is kept for the one who looks at it; `second_share` the share of opinions (0..1) that
    a second person is asked for without seeing the first; `capacity` how many listings can be looked at in a day, of
    which `random_looks` are drawn by chance from those that nobody would look at.
    """

    claim: timedelta = timedelta(minutes=15)
    second_share: float = 0.1
    capacity: int = 200
    random_looks: int = 10
    session: timedelta = timedelta(hours=10)
    idle: timedelta = timedelta(hours=2)
    undo_within: timedelta = timedelta(hours=1)
    tries_per_name: int = 5
    tries_per_address: int = 30
    tries_within: timedelta = timedelta(minutes=15)
    invitation: timedelta = timedelta(hours=48)
