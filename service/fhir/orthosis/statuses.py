"""Which statuses the resources of an episode have in each of its states: one table."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.orthosis.life import Life


@dataclass(frozen=True, slots=True)
class Statuses:
    """The status of each resource. `reason` is the Device's statusReason; `last` is the last DeviceUseStatement's,
    every one before it being completed. `procedure` is that of every event that was not taken back.
    """

    plan: str
    order: str
    device: str
    reason: str
    last: str
    procedure: str = "completed"


STATUSES: dict[str, Statuses] = {
    "planned": Statuses("active", "active", "inactive", "not-ready", ""),
    "ready": Statuses("active", "completed", "active", "standby", ""),
    "worn": Statuses("active", "completed", "active", "online", "active"),
    "on-hold": Statuses("on-hold", "completed", "active", "paused", "on-hold"),
    "ended": Statuses("completed", "completed", "inactive", "off", "completed"),
    "ended, never fitted": Statuses("revoked", "revoked", "inactive", "off", ""),
    "entered-in-error": Statuses(
        "entered-in-error", "entered-in-error", "entered-in-error", "off", "entered-in-error", "entered-in-error"
    ),
}
"""State of the episode -> statuses of ServiceRequest, DeviceRequest, Device, DeviceUseStatement and Procedure."""


def statuses_of(life: Life) -> Statuses:
    """The statuses that go with what the events came to."""
    return STATUSES["ended, never fitted" if life.state == "ended" and not life.fitted else life.state]
