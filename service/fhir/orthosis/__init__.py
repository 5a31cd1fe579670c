"""Orthosis episodes as FHIR resources, and back."""

from service.fhir.orthosis.episode import from_resources, key_of, to_resources
from service.fhir.orthosis.names import PROFILES, TYPES, claimed

__all__ = ["PROFILES", "TYPES", "claimed", "from_resources", "key_of", "to_resources"]
