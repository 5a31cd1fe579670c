"""Whatever schemathesis makes up from the OpenAPI document is answered as the document says."""

from __future__ import annotations

from typing import Any

import pytest
from schemathesis import GenerationMode

from .made_up import CHAINED, send_chains, send_each


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_any_request(client: Any, mode: GenerationMode) -> None:
    statuses = [each.status for each in send_each(str(client.base_url), mode, {})]
    assert len(statuses) > 100
    assert any(200 <= status < 300 for status in statuses) or mode is GenerationMode.NEGATIVE
    assert any(400 <= status < 500 for status in statuses)


def test_any_chain_of_requests(client: Any) -> None:
    answered = send_chains(str(client.base_url), {})
    reached = {each.path for each in answered if 200 <= each.status < 300}
    assert reached == set(CHAINED)
