"""What a program must know to ask for access: the SMART discovery document (SMART App Launch 2.2)."""

from __future__ import annotations

from typing import Any

SCOPES = ["openid", "fhirUser", "launch/patient", "patient/*.rs", "user/*.cruds", "system/*.cruds"]


def for_system_clients(token_address: str) -> dict[str, Any]:
    """The document of a record with a token endpoint of its own, which is for registered system clients."""
    return {
        "token_endpoint": token_address,
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": ["RS384", "ES384"],
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": [scope for scope in SCOPES if scope.startswith("system/")],
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
    }


def for_people(provider: dict[str, str]) -> dict[str, Any]:
    """The document of a record whose tokens all come from the clinic's provider, by its own discovery document."""
    known = ("issuer", "jwks_uri", "authorization_endpoint", "token_endpoint", "introspection_endpoint")
    return {name: provider[name] for name in known if name in provider} | {
        "grant_types_supported": ["authorization_code"],
        "scopes_supported": [scope for scope in SCOPES if not scope.startswith("system/")],
        "response_types_supported": ["code"],
        "code_challenge_methods_supported": ["S256"],
        "capabilities": [
            "launch-standalone", "client-public", "client-confidential-symmetric", "sso-openid-connect",
            "context-standalone-patient", "permission-patient", "permission-user", "permission-v1", "permission-v2",
        ],
    }  # fmt: skip
