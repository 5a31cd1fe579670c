"""docker-compose.yml and service/Dockerfile, checked without an engine: with the real compose program in
configuration mode, with the public compose schema, and against the commands, settings and files they name."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from service.settings import Settings

BIN = Path(sys.executable).parent
PORT = Settings.model_fields["port"].default
REQUIRED = {
    "POSTGRES_PASSWORD": "invented",
    "HANDRECORD_OIDC_ISSUER": "https://login.clinic.example",
    "HANDRECORD_OIDC_AUDIENCE": "handrecord",
}


def _run(root: Path, command: list[str], **variables: str) -> subprocess.CompletedProcess[str]:
    """A command at the root, with these of the required variables and no others."""
    kept = {name: value for name, value in os.environ.items() if name not in REQUIRED}
    return subprocess.run(
        command, cwd=root, env=kept | variables, capture_output=True, text=True, timeout=60, check=False
    )


def _compose(root: Path, variables: dict[str, str]) -> subprocess.CompletedProcess[str]:
    command = [str(BIN / "docker-compose"), "-f", "docker-compose.yml", "config", "--format", "json"]
    return _run(root, command, **variables)


@pytest.fixture(scope="module")
def services(root: Path) -> dict[str, Any]:
    """The services as the compose program understands them."""
    done = _compose(root, REQUIRED)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)["services"]


@pytest.fixture(scope="module")
def dockerfile(root: Path) -> list[tuple[str, str]]:
    """The instructions of the Dockerfile: name, rest of the line."""
    lines = (root / "service/Dockerfile").read_text().replace("\\\n", " ").splitlines()
    return [tuple(line.split(" ", 1)) for line in lines if line and not line.startswith("#")]  # type: ignore[misc]


def test_public_schema_accepts_it(root: Path) -> None:
    check = [str(BIN / "check-jsonschema"), "--builtin-schema", "vendor.compose-spec"]
    done = _run(root, [*check, "docker-compose.yml"])
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("name", REQUIRED)
def test_refuses_without_each_required_variable(root: Path, name: str) -> None:
    done = _compose(root, {other: value for other, value in REQUIRED.items() if other != name})
    assert done.returncode != 0
    assert f"required variable {name} is missing" in done.stderr


def test_only_the_service_is_published_and_only_to_this_computer(services: dict[str, Any]) -> None:
    (port,) = services["service"]["ports"]
    assert (port["host_ip"], port["published"], port["target"]) == ("127.0.0.1", "8000", PORT)
    assert "ports" not in services["database"]
    assert [name for name, service in services.items() if "network_mode" in service] == []


def test_without_a_provider_the_service_does_not_listen_where_the_file_tells_it(
    root: Path, services: dict[str, Any]
) -> None:
    host = services["service"]["environment"]["HANDRECORD_HOST"]
    done = _run(root, [sys.executable, "-m", "service", "serve"], HANDRECORD_HOST=host)
    assert done.returncode == 1
    assert "identity provider" in done.stderr


def test_what_it_sets_makes_the_service_ask_for_tokens(
    services: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The very variables of the file, read by the service's own settings."""
    for name, value in services["service"]["environment"].items():
        monkeypatch.setenv(name, value)
    settings = Settings()
    assert settings.has_provider
    assert (settings.host, settings.port) == ("0.0.0.0", PORT)
    assert (settings.role_map, settings.role_claim, settings.rate_limit) == ({}, "roles", 6000)
    assert Settings.model_fields["host"].default == "127.0.0.1"


def test_both_are_watched_and_the_database_is_kept(services: dict[str, Any]) -> None:
    assert set(services) == {"service", "database"}
    assert all(service["healthcheck"]["test"] for service in services.values())
    assert services["service"]["depends_on"]["database"]["condition"] == "service_healthy"
    (volume,) = services["database"]["volumes"]
    assert (volume["type"], volume["target"]) == ("volume", "/var/lib/postgresql")
    release = re.fullmatch(r"postgres:(\d+)", services["database"]["image"])
    assert release is not None
    assert int(release.group(1)) >= 16


def test_the_health_check_asks_an_address_that_there_is(root: Path, services: dict[str, Any]) -> None:
    (path,) = re.findall(rf"http://127\.0\.0\.1:{PORT}(/\w+)", services["service"]["healthcheck"]["test"][-1])
    assert path in json.loads((root / "schemas/openapi.json").read_text())["paths"]


def test_image_does_not_run_as_root(dockerfile: list[tuple[str, str]]) -> None:
    names = [name for name, _ in dockerfile]
    (user,) = (rest for name, rest in dockerfile if name == "USER")
    assert user not in ("root", "0")
    assert names.index("USER") > max(at for at, name in enumerate(names) if name in ("RUN", "COPY"))


def test_files_that_are_named_exist(
    root: Path, services: dict[str, Any], dockerfile: list[tuple[str, str]], own_files: list[Path]
) -> None:
    build = services["service"]["build"]
    assert (Path(build["context"]), build["dockerfile"]) == (root, "service/Dockerfile")
    assert (root / build["dockerfile"]).is_file()
    copied = [source for name, rest in dockerfile if name == "COPY" for source in rest.split()[:-1]]
    assert [source for source in copied if not (root / source).exists()] == []
    assert set(copied) == {line[1:] for line in (root / ".dockerignore").read_text().splitlines() if line[:1] == "!"}


def test_settings_that_are_named_exist(root: Path) -> None:
    text = (root / "docker-compose.yml").read_text() + (root / "service/Dockerfile").read_text()
    named = set(re.findall(r"HANDRECORD_\w+", text))
    assert named <= {f"HANDRECORD_{field.upper()}" for field in Settings.model_fields}
    assert "HANDRECORD_DATABASE_URL" in named


def test_commands_that_are_named_exist(root: Path, dockerfile: list[tuple[str, str]]) -> None:
    (start,) = (" ".join(json.loads(rest)) for name, rest in dockerfile if name == "CMD")
    commands = re.findall(r"handrecord ([a-z-]+)", start)
    assert commands == ["migrate", "serve"]
    for command in commands:
        done = _run(root, [sys.executable, "-m", "service", command, "--help"])
        assert done.returncode == 0, done.stderr


def test_extra_that_is_installed_exists(root: Path, dockerfile: list[tuple[str, str]]) -> None:
    (install,) = (shlex.split(rest) for name, rest in dockerfile if name == "RUN" and rest.startswith("pip"))
    extra = re.fullmatch(r"\.\[(\w+)\]", install[-1])
    assert extra is not None
    assert re.search(rf"^{extra.group(1)} = \[", (root / "pyproject.toml").read_text(), re.M)
