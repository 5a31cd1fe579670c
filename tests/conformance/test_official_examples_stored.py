"""HL7's own R4 examples posted over a socket: each comes back as it was sent, to the digit, or is known to break R4."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from threading import Thread
from typing import Any

import httpx
import pytest

from service.fhir.definitions import SERVED_TYPES
from service.settings import Settings
from service.storage.records import Records
from service.usecases.resources import READ_ONLY
from service.web.app import create_app
from service.web.server import listen, server_for, url_of

from .known_invalid import KNOWN_INVALID

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(os.environ.get("HANDRECORD_TEST_DATA", ROOT / "../shared/data")) / "r4-examples"
EXAMPLES = sorted(path for path in FOLDER.glob("*.json") if path.name.split("-")[0] in SERVED_TYPES)

if not EXAMPLES:
    pytest.skip(f"the official examples are not at {FOLDER}", allow_module_level=True)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A client of a record that takes resources whose neighbours are elsewhere."""
    url = f"sqlite:///{tmp_path_factory.mktemp('examples') / 'record.sqlite'}"
    records = Records.create(url)
    app = create_app(Settings(database_url=url, referential_integrity=False), records)
    with listen("127.0.0.1", 0) as listener:
        server = server_for(app)
        thread = Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        with httpx.Client(base_url=url_of(listener), timeout=30) as client:
            yield client
        server.should_exit = True
        thread.join(10)
    records.close()


def as_written(text: bytes) -> Any:
    """The value of a JSON text by the standard library alone, each number as its digits stand; no id, no stamp."""
    found = json.loads(text, parse_float=lambda token: ("number", Decimal(token).as_tuple()), parse_int=str)
    found.pop("id", None)
    meta = {name: value for name, value in found.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    return {**found, "meta": meta}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_comes_back_as_it_was_sent(client: httpx.Client, path: Path) -> None:
    kind, sent = path.name.split("-")[0], path.read_bytes()
    answer = client.post(f"/fhir/{kind}", content=sent, headers={"content-type": "application/fhir+json"})
    if kind in READ_ONLY:
        assert answer.status_code == 405, answer.text
    elif path.name in KNOWN_INVALID:
        assert answer.status_code == 422, answer.text
    else:
        assert answer.status_code == 201, answer.text
        assert as_written(client.get(f"/fhir/{kind}/{answer.json()['id']}").content) == as_written(sent)
