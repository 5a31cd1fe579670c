"""The acting person: who reads or changes the record, and what they were granted."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Grant:
    """One thing the identity provider let this person, or this program on their behalf, do.

    `context` is `patient` (one patient's record), `user` or `system` (all that the role may reach). `type` is a
    resource type or `*`; `rights` are among `c`, `r`, `u`, `d`, `s` (create, read, update, delete, search). `where`
    holds search parameters that every resource must fit.
    """

    context: str
    type: str
    rights: frozenset[str]
    where: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts. `id` is stable and names one person or system; `name` is what people call them.

    `grants` narrow what the role may do; None where nobody narrowed it. `patient` is the id of the patient that
    grants of the context `patient` are about. `client` names the program, `source` the network address the request
    came from. `emergency` is the reason for reading what is closed to the role otherwise; empty when nobody asked.
    `cosigned` says that what this person writes needs another person's signature.
    """

    id: str
    name: str
    role: str = "clinician"
    grants: tuple[Grant, ...] | None = None
    patient: str = ""
    client: str = ""
    source: str = ""
    emergency: str = ""
    cosigned: bool = False

    @property
    def reference(self) -> str:
        """The resource that stands for this person, or for this program where no person acts."""
        return f"{'Device' if self.role == 'system' else 'Practitioner'}/{self.id}"


LOCAL = Actor("local-user", "Local user of this computer", "local")
"""Who acts while no identity provider is configured: the one person at this computer."""
