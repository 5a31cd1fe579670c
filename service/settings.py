"""The one settings object, and the only reader of the environment.

Every setting is an environment variable that begins with `HANDRECORD_`; there is no settings file.
"""

from __future__ import annotations

import json
from functools import cache
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, SettingsConfigDict, SettingsError

from service.errors import Issue, Misconfigured


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
    oidc_issuer: Annotated[
        str, Field(description="Address of the clinic's OpenID Connect provider; empty: this computer only.")
    ] = ""
    oidc_audience: Annotated[str, Field(description="Name of this service at that provider.")] = ""
    oidc_jwks_url: Annotated[
        str, Field(description="Address of the provider's keys; empty: as its discovery document says.")
    ] = ""
    role_claim: Annotated[
        str, Field(description="Claim of a token that names the person's roles; a dot leads into an object.")
    ] = "roles"
    role_map: Annotated[
        dict[str, str], Field(description="JSON object: which value of that claim is which role; empty: role names.")
    ] = {}
    cosign_roles: Annotated[
        frozenset[str], Field(description="JSON list of roles whose entries another person must sign.")
    ] = frozenset({"student"})
    public_url: Annotated[
        str, Field(description="Address by which others reach this service, as in https://record.clinic.example.")
    ] = ""
    clients_file: Annotated[
        Path | None, Field(description="JSON file of registered system clients; turns the token endpoint on.")
    ] = None
    token_key_file: Annotated[
        Path | None, Field(description="Private key (PEM or JWK, ES384 or RSA) that signs the tokens given out here.")
    ] = None
    rate_limit: Annotated[int, Field(ge=0, description="Requests one client may make a minute; 0: no limit.")] = 0
    request_seconds: Annotated[float, Field(gt=0, description="How long one request may take, in seconds.")] = 60
    cors_origins: Annotated[
        frozenset[str], Field(description="JSON list of sites whose pages may use the record from a browser.")
    ] = frozenset()
    log_level: Annotated[
        Literal["info", "warning", "error"], Field(description="`info` logs every request, `warning` the refused.")
    ] = "warning"

    retention_years: Annotated[
        dict[str, Annotated[int, Field(ge=0)]],
        Field(
            description="JSON object: years that resources of a type are kept after the patient was last seen; "
            "`*`: all other types; empty: no period."
        ),
    ] = {}
    erasure_ledger: Annotated[
        Path | None, Field(description="File that lists what was erased, kept apart from backups; a restore needs it.")
    ] = None
    billing_rules: Annotated[
        Path | None, Field(description="Folder of the clinic's own rule sets for billing, one JSON file each.")
    ] = None
    billing_codes: Annotated[
        Path | None, Field(description="CSV file of the codes that the clinic itself holds or has licensed.")
    ] = None
    orthosis_file: Annotated[
        Path | None, Field(description="JSON file of the clinic's safety texts, telephone line and review limits.")
    ] = None

    findings_file: Annotated[
        Path | None, Field(description="JSON file of the clinic's own tests for coded findings.")
    ] = None
    change_file: Annotated[
        Path | None, Field(description="JSON file: the clinic's worthwhile rates, own errors, review points shown.")
    ] = None

    export_folder: Annotated[Path, Field(description="Folder of Bulk Data exports; made when it is first needed.")] = (
        Path("handrecord-exports")
    )
    export_hours: Annotated[float, Field(gt=0, description="Hours that a finished export is kept.")] = 24

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value and value not in available_timezones():
            raise ValueError(f"'{value}' is not an IANA time zone such as Europe/Vienna")
        return value

    @field_validator("oidc_issuer", "oidc_jwks_url", "public_url")
    @classmethod
    def _safe_address(cls, value: str) -> str:
        """Addresses that tokens are judged by travel encrypted, or not at all."""
        if value and not is_safe_address(value):
            raise ValueError(f"'{value}' is neither an https address nor one of this computer")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if bool(self.oidc_issuer) != bool(self.oidc_audience):
            raise ValueError("OIDC_ISSUER and OIDC_AUDIENCE belong together: set both, or neither")
        if self.clients_file and not (self.oidc_issuer and self.public_url and self.token_key_file):
            raise ValueError("CLIENTS_FILE needs OIDC_ISSUER, PUBLIC_URL and TOKEN_KEY_FILE as well")
        return self

    @property
    def has_provider(self) -> bool:
        """Whether people prove who they are; without it only this computer is answered."""
        return bool(self.oidc_issuer)

    @property
    def zone_info(self) -> ZoneInfo | None:
        """The zone as an object, or None when the clinic has named none."""
        return ZoneInfo(self.zone) if self.zone else None


def is_safe_address(url: str) -> bool:
    """Whether nobody on the way can read or change what is fetched there: https, or http on this computer."""
    try:
        parts = urlsplit(url)
        parts.port  # noqa: B018 - reading it is what checks it
    except ValueError:
        return False
    if not parts.hostname or "@" in parts.netloc or parts.query or parts.fragment:
        return False
    return parts.scheme == "https" or (parts.scheme == "http" and _is_this_computer(parts.hostname))


def _is_this_computer(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def stated(found: Settings) -> tuple[dict[str, str], dict[str, Path]]:
    """The variables that were set, as they are written, and the files that some of them name; not the database's."""
    names = sorted(found.model_fields_set - {"database_url"})
    variables, files = {}, {}
    plain = found.model_dump(mode="json")
    for name in names:
        value = getattr(found, name)
        if isinstance(value, Path) and value.is_file():
            files[f"HANDRECORD_{name}".upper()] = value
        elif value is not None:
            written = plain[name]
            variables[f"HANDRECORD_{name}".upper()] = written if isinstance(written, str) else json.dumps(written)
    return variables, files


@cache
def load() -> Settings:
    """The settings of this process. Raises `Misconfigured`."""
    try:
        return Settings()
    except SettingsError as error:
        # The library's sentence names the setting; the cause under it is about the JSON alone.
        named = next((name for name in Settings.model_fields if f'"{name}"' in str(error)), "*")
        message = f"The setting is not the JSON it must be: {error.__cause__}."
        raise Misconfigured(Issue("value", message, f"HANDRECORD_{named}".upper())) from error
    except ValidationError as error:
        raise Misconfigured(*(_issue(found) for found in error.errors(include_url=False))) from error


def _issue(found: ErrorDetails) -> Issue:
    where = ".".join(f"HANDRECORD_{step}".upper() for step in found["loc"][:1]) or "HANDRECORD_*"
    said = found["msg"].removeprefix("Value error, ")
    said = _SAID.get(found["type"], said)
    given = "" if isinstance(found["input"], dict) else str(found["input"])
    return Issue("value", f"A setting cannot be used: {said}.", where, given)


_SAID = {
    "int_parsing": "it is a whole number",
    "float_parsing": "it is a number",
    "bool_parsing": "it is true or false",
    "greater_than": "it is too small",
    "greater_than_equal": "it is too small",
    "less_than_equal": "it is too large",
}
