"""What every result is read against: how long ago things happened, and what is not allowed at its place."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.domain.anatomy import Site
from service.domain.course import Course, Elapsed, Injury, Operation, elapsed
from service.domain.precautions import Precaution, touching


@dataclass(frozen=True, slots=True)
class Background:
    """What is known of one patient beside the readings, seen on the day `on`.

    `course` is the open course of therapy, else the one that ended last.
    """

    on: date
    injuries: tuple[Injury, ...] = ()
    operations: tuple[Operation, ...] = ()
    precautions: tuple[Precaution, ...] = ()
    course: Course | None = None

    def precautions_at(self, site: Site) -> tuple[Precaution, ...]:
        """The precautions in force on the day that touch a site."""
        return touching(self.precautions, site, self.on)

    def elapsed_at(self, site: Site, day: date) -> tuple[Elapsed, ...]:
        """Time up to `day` since each injury and operation of the side a site is on; of both, where it is on none."""
        found = elapsed(self.injuries, self.operations, day)
        return tuple(each for each in found if site.side not in ("left", "right") or each.site.side == site.side)
