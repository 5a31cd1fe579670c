"""The acting person: who reads or changes the record."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts. `id` is stable and names one person or system; `name` is what people call them."""

    id: str
    name: str
    role: str = "clinician"

    @property
    def reference(self) -> str:
        """The Practitioner resource that stands for this person."""
        return f"Practitioner/{self.id}"


LOCAL = Actor("local-user", "Local user of this computer")
"""Who acts while no identity provider is configured: the one person at this computer."""
