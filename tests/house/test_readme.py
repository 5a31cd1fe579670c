"""Every command in the README's fenced shell blocks is run, in order, in an empty folder that holds only `examples`.

In a ```console block a line that begins with `$ ` is a command and the lines below it are what it prints: each must
occur in what it really prints; a line `...` stands for anything. In a ```bash or ```sh block every line is a command.
A command must exit with 0, or with n where its comment says "exits with n". `handrecord serve` stays up for the
commands below it. Commands that install, test or need an engine are not run but checked: see `_CHECKED`.
"""

from __future__ import annotations

import os
import re
import shlex
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

from service.commands import app
from service.exchange import columns
from service.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
BLOCK = re.compile(r"^```(console|bash|sh)\n(.*?)^```$", re.M | re.S)
ASSIGNED = re.compile(r"([A-Z_]+)=(.*)")


@dataclass
class Command:
    """One command line and the lines that the README shows below it."""

    line: str
    shown: list[str] = field(default_factory=list)


def commands_of(text: str) -> Iterator[Command]:
    for kind, body in BLOCK.findall(text):
        command = None
        for line in body.replace("\\\n", " ").splitlines():
            if kind == "console" and not line.startswith("$ "):
                assert command is not None, f"output before any command: {line}"
                command.shown.append(line)
            elif line.strip() and not line.startswith("#"):
                if command is not None:
                    yield command
                command = Command(line.removeprefix("$ "))
        if command is not None:
            yield command


def _installs(words: list[str]) -> bool:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    named = re.fullmatch(r"\.(?:\[([\w,-]+)\])?", words[-1])
    return named is not None and set((named.group(1) or "").split(",")) <= {"", *extras}


def _is_in_ci(words: list[str]) -> bool:
    return f"\n{shlex.join(words)}" in (ROOT / ".ci/run").read_text()


def _composes(words: list[str]) -> bool:
    services = re.findall(r"^  (\w+):$", (ROOT / "docker-compose.yml").read_text(), re.M)
    verb, *rest = words[2:] if words[0] == "docker" else words[1:]
    return verb in ("up", "down", "logs") or (verb in ("exec", "run") and rest[0] in services)


def _exists(words: list[str]) -> bool:
    return (ROOT / words[0]).is_file() and os.access(ROOT / words[0], os.X_OK)


_CHECKED: dict[str, Callable[[list[str]], bool]] = {
    r"pip install (-c \.ci/constraints\.txt )?(-e )?\S+": _installs,
    r"pytest|mypy|lint-imports|ruff .*": _is_in_ci,
    r"docker(-| )compose .*": _composes,
    r"\.ci/run": _exists,
    r"git clone \S+|cd \S+|python3? -m venv \S+|\. \S+/bin/activate": lambda words: True,
    r"python -m tests\.bench.*": lambda words: (ROOT / "tests/bench/__main__.py").is_file(),
}


class Shell:
    """A person's terminal: a folder, variables, perhaps a service running."""

    def __init__(self, folder: Path) -> None:
        (folder / "examples").symlink_to(ROOT / "examples")
        self.folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        kept = {name: value for name, value in os.environ.items() if not name.startswith("HANDRECORD_")}
        self.variables = kept | {"PYTHONPATH": str(ROOT), "HANDRECORD_PORT": str(self.port), "COLUMNS": "120"}
        self.server: subprocess.Popen[bytes] | None = None

    def say(self, command: Command) -> None:
        """Runs or checks the command; what it prints must hold every line that is shown."""
        exits = re.search(r"#.*exits with (\d+)", command.line)
        printed = ""
        for part in command.line.split(" && "):
            printed += self._part(shlex.split(part, comments=True), int(exits.group(1)) if exits else 0)
        flat = " ".join(printed.split())
        missing = [line for line in command.shown if line.strip() != "..." and " ".join(line.split()) not in flat]
        assert missing == [], f"{command.line}\nprinted\n{printed}"

    def _part(self, words: list[str], exits: int) -> str:
        words = words[1:] if words[0] == "export" else words
        while words and (assigned := ASSIGNED.fullmatch(words[0])):
            name, value = assigned.groups()
            assert name.removeprefix("HANDRECORD_").lower() in {*Settings.model_fields, "test_data"}, name
            self.variables[name] = value
            words = words[1:]
        if not words:
            return ""
        if words[0] == "handrecord" or words[:3] == ["python", "-m", "service"]:
            return self._handrecord(words[1 if words[0] == "handrecord" else 3 :], exits)
        if words[0] == "curl":
            return self._curl(words[1:])
        checks = [check for pattern, check in _CHECKED.items() if re.fullmatch(pattern, shlex.join(words))]
        assert checks, f"no test knows how to run or check: {shlex.join(words)}"
        assert checks[0](words), f"this would not work: {shlex.join(words)}"
        return ""

    def _handrecord(self, words: list[str], exits: int) -> str:
        command = [sys.executable, "-m", "service", *(word for word in words if word != "&")]
        if words[0] == "serve":
            assert self.server is None, "the README starts the service twice"
            self.server = subprocess.Popen(command, cwd=self.folder, env=self.variables)
            self._wait()
            return ""
        done = subprocess.run(
            command, cwd=self.folder, env=self.variables, capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == exits, f"{shlex.join(words)}\n{done.stdout}\n{done.stderr}"
        return done.stdout + done.stderr

    def _wait(self) -> None:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            try:
                if httpx.get(f"http://127.0.0.1:{self.port}/health").is_success:
                    return
            except httpx.TransportError:
                time.sleep(0.1)
        raise AssertionError("the service did not answer within 30 seconds")

    def _curl(self, words: list[str]) -> str:
        """The few options of curl that a README needs, so that no curl must be installed."""
        method, url, headers, body = "GET", "", {}, b""
        rest = iter(words)
        for word in rest:
            if word in ("-X", "--request"):
                method = next(rest)
            elif word in ("-H", "--header"):
                name, value = next(rest).split(":", 1)
                headers[name] = value.strip()
            elif word in ("-d", "--data", "--data-binary", "--json"):
                given = next(rest)
                body = (self.folder / given[1:]).read_bytes() if given[0] == "@" else given.encode()
                method = "POST" if method == "GET" else method
                headers |= {"Content-Type": "application/json"} if word == "--json" else {}
            elif word not in ("-s", "-sS", "-i", "--silent"):
                url = word
        answer = self.get(url, method, headers, body)
        assert answer.is_success, f"{shlex.join(words)}\n{answer.status_code} {answer.text}"
        return answer.text

    def get(
        self, url: str, method: str = "GET", headers: dict[str, str] | None = None, body: bytes = b""
    ) -> httpx.Response:
        here = re.sub(r"^(?:http://)?(?:127\.0\.0\.1|localhost):8000", f"http://127.0.0.1:{self.port}", url)
        return httpx.request(method, here, headers=headers, content=body, timeout=30)


@pytest.fixture(scope="module")
def readme() -> str:
    return (ROOT / "README.md").read_text()


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[Shell]:
    shell = Shell(tmp_path)
    yield shell
    if shell.server is not None:
        shell.server.terminate()
        shell.server.wait(timeout=30)


def test_every_command_works_and_every_address_answers(shell: Shell, readme: str) -> None:
    commands = list(commands_of(readme))
    for command in commands:
        shell.say(command)
    assert {"handrecord demo", "pytest"} <= {part for command in commands for part in command.line.split(" && ")}
    for url in re.findall(r"http://127\.0\.0\.1:8000/[^\s`)>\"']*", BLOCK.sub("", readme)):
        assert shell.get(url).is_success, url


def test_the_table_of_commands_is_whole(readme: str) -> None:
    told = re.findall(r"^\| `handrecord ([a-z-]+)[^`]*` \|", readme, re.M)
    offered = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]
    offered += [group.name for group in app.registered_groups if group.name]
    assert sorted(told) == sorted(offered)


def test_the_table_of_settings_is_whole(readme: str) -> None:
    rows = re.findall(r"^\| (`HANDRECORD_[^|]*) \|", readme, re.M)
    told = [name for row in rows for name in re.findall(r"HANDRECORD_(\w+)", row)]
    assert sorted(told) == sorted(field.upper() for field in Settings.model_fields)


def test_the_table_of_columns_is_the_one_that_files_are_read_by(readme: str) -> None:
    assert columns.table() in readme


def test_an_untrue_line_is_noticed(shell: Shell) -> None:
    (command,) = commands_of("```console\n$ handrecord --help\nThis is not printed.\n```\n")
    with pytest.raises(AssertionError, match="printed"):
        shell.say(command)


@pytest.mark.parametrize(
    "line", ["make all", "pip install '.[nosuch]'", "handrecord nosuch", "export HANDRECORD_NOSUCH=1"]
)
def test_a_command_that_does_not_exist_is_noticed(shell: Shell, line: str) -> None:
    with pytest.raises(AssertionError):
        shell.say(Command(line))
