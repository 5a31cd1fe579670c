"""The one settings object, and the only reader of the environment.

Every setting is an environment variable that begins with `HANDRECORD_`; there is no settings file.
"""

from __future__ import annotations

from functools import cache
from typing import Annotated
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """What a clinic sets. Frozen: a running service never changes its mind."""

    model_config = SettingsConfigDict(env_prefix="HANDRECORD_", frozen=True, extra="ignore")

    database_url: Annotated[str, Field(description="SQLAlchemy URL of the clinic's database.")] = (
        "sqlite:///handrecord.sqlite"
    )
    host: Annotated[
        str, Field(description="Address to listen on; loopback only, until an identity provider is set.")
    ] = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535, description="Port to listen on.")] = 8000
    zone: Annotated[
        str, Field(description="IANA time zone for local times that name none; empty: such times are refused.")
    ] = ""
    max_body: Annotated[int, Field(gt=0, description="Largest request body, in bytes.")] = 16 * 1024 * 1024

    referential_integrity: Annotated[
        bool, Field(description="Refuse a resource that points at a resource of this record which does not exist.")
    ] = True
    oidc_issuer: Annotated[str, Field(description="Address of the clinic's OpenID Connect provider.")] = ""
    oidc_audience: Annotated[str, Field(description="Name of this service at that provider.")] = ""

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value and value not in available_timezones():
            raise ValueError(f"'{value}' is not an IANA time zone such as Europe/Vienna")
        return value

    @property
    def zone_info(self) -> ZoneInfo | None:
        """The zone as an object, or None when the clinic has named none."""
        return ZoneInfo(self.zone) if self.zone else None


@cache
def load() -> Settings:
    """The settings of this process."""
    return Settings()
