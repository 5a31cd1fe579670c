"""With a provider, whatever schemathesis makes up gets past no door, and meets no defect behind one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from schemathesis import GenerationMode

from service.domain.actor import LOCAL
from service.settings import Settings
from service.storage.records import Records
from service.web.app import create_app
from service.web.identity.middleware import OPEN

from ..made_up import send_chains, send_each

MARKED = "ZZ-INVENTED-MARK"


@pytest.fixture
def url(sqlite_url: str, provider: Any, ec_pair: Any, served: Any) -> Iterator[str]:
    """The address of a service with a provider, holding one patient and one measurement that bears a mark."""
    provider.publish_keys(ec_pair)
    settings = Settings(database_url=sqlite_url, oidc_issuer=provider.address, oidc_audience="handrecord")
    records = Records.open(sqlite_url)
    with records.write(LOCAL) as writer:
        writer.update({"resourceType": "Patient", "id": "a", "active": True})
        code = {"coding": [{"system": "http://loinc.org", "code": "8302-2"}], "text": MARKED}
        subject = {"reference": "Patient/a"}
        writer.create({"resourceType": "Observation", "status": "final", "code": code, "subject": subject})
    app = create_app(settings, records)
    with served(app) as client:
        yield str(client.base_url)
    app.state.events.close()
    records.close()


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_nobody_gets_in_without_a_token(url: str, mode: GenerationMode) -> None:
    closed = [each for each in send_each(url, mode, {}) if each.path not in OPEN]
    assert len(closed) > 100
    assert {each.status for each in closed} == {401}


@pytest.mark.parametrize("role", ["clinician", "biller", "front-desk", "auditor", "administrator"])
def test_a_role_meets_no_defect_and_sees_what_it_may(url: str, role: str, provider: Any, ec_pair: Any) -> None:
    token = ec_pair.token(provider.claims(roles=[role], scope="user/*.cruds"))
    headers = {"authorization": f"Bearer {token}"}
    answered = [*send_each(url, GenerationMode.POSITIVE, headers), *send_chains(url, headers)]
    assert any(200 <= each.status < 300 for each in answered)
    if role != "clinician":
        assert not any(MARKED in each.body for each in answered)


def test_a_clinician_sees_the_mark_that_others_do_not(url: str, provider: Any, ec_pair: Any, served: Any) -> None:
    import httpx

    token = ec_pair.token(provider.claims(roles=["clinician"], scope="user/*.cruds"))
    answer = httpx.get(f"{url}/fhir/Observation", headers={"authorization": f"Bearer {token}"})
    assert MARKED in answer.text
