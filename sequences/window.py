"""``window`` of a sequence file: the hours of the day in which a run may have anything switched on.

Pure. Hours are those of a wall clock, by default that of the computer. Every day has one opening, also where clocks
change: an hour that comes twice counts the first time, and one that is left out counts as much later as clocks are put
forward (PEP 495, fold = 0).
"""

from __future__ import annotations

import contextlib
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, field_validator, model_validator

from sequences.part_file import FileModel


def _hour(value: Any) -> time:
    with contextlib.suppress(ValueError):
        if isinstance(value, str) and len(value) == len("19:00"):
            value = time.fromisoformat(value)
    if not isinstance(value, time) or value.tzinfo is not None:
        raise ValueError('a time of day such as "19:00" is wanted')
    return value


Hour = Annotated[time, BeforeValidator(_hour)]


class Window(FileModel):
    """Opens every day at ``from`` and closes at the next ``to``.

    A run that is started outside waits for it; when it closes the run stops or, with ``at_end = "wait"``, is made safe
    and goes on when it opens again. ``zone`` names the wall clock, such as "Europe/Zurich".
    """

    opens: Hour = Field(alias="from")
    closes: Hour = Field(alias="to")
    at_end: Literal["stop", "wait"] = "stop"
    zone: str | None = None

    @field_validator("zone")
    @classmethod
    def _known(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                ZoneInfo(value)
            except (KeyError, ValueError, OSError) as error:
                raise ValueError('a time zone that this computer knows is wanted, such as "Europe/Zurich"') from error
        return value

    @model_validator(mode="after")
    def _is_open_at_all(self) -> Self:
        if self.opens == self.closes:
            raise ValueError("from and to are the same: leave window out if a run may go on at any time")
        return self

    def opening(self, now: datetime) -> tuple[datetime, datetime]:
        """Begin, which belongs to it, and end in UTC of the opening that ``now`` lies in, or else of the next one."""
        today = self.local(now).date()
        # One that began yesterday may last until today.
        days = (today + timedelta(days=offset) for offset in (-1, 0, 1, 2))
        # On the day on which clocks are put forward it may close before it opens: then there is none.
        found = map(self._of_day, days)
        return next((begins, ends) for begins, ends in found if now < ends and begins < ends)

    def is_open(self, now: datetime) -> bool:
        """Whether a run may go on."""
        return self.opening(now)[0] <= now

    def local(self, at: datetime) -> datetime:
        """A time as the wall clock shows it."""
        return at.astimezone(None if self.zone is None else ZoneInfo(self.zone))

    def _of_day(self, day: date) -> tuple[datetime, datetime]:
        until = day if self.opens < self.closes else day + timedelta(days=1)
        return self._at(day, self.opens), self._at(until, self.closes)

    def _at(self, day: date, hour: time) -> datetime:
        wall = datetime.combine(day, hour)  # without a zone: that of the computer
        return (wall if self.zone is None else wall.replace(tzinfo=ZoneInfo(self.zone))).astimezone(UTC)

    def __str__(self) -> str:
        zone = "local time" if self.zone is None else self.zone
        return f"{self.opens:%H:%M} to {self.closes:%H:%M}, {zone}"
