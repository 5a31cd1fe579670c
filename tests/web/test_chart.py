"""The chart over HTTP: a specification that the drawing library takes, the pictures, and the page with its table."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from typing import Any

import pytest

from service.web.chart import VEGA_LITE


@pytest.fixture(scope="module")
def patient(client: Any) -> str:
    reference: str = client.new_patient()
    for day, value in (("2026-03-02", "20.5"), ("2026-03-16", "22.0"), ("2026-03-30", "24.5")):
        visit = {
            "patient": {"id": reference.removeprefix("Patient/")}, "when": f"{day}T09:30", "zone": "Europe/Vienna",
            "by": {"name": "A. Invented, hand therapist"},
            "readings": [
                {"kind": "grip-strength", "side": "right", "site": "hand", "trials": [value], "unit": "kgf"},
                {"kind": "joint-motion", "side": "right", "site": "index-pip", "motion": "flexion", "mode": "active",
                 "value": value.partition(".")[0], "unit": "deg", "convention": "named"},
            ],
        }  # fmt: skip
        answer = client.post("/visits", json=visit)
        assert answer.status_code == 201, answer.text
    return reference.removeprefix("Patient/")


def test_the_specification_comes_where_nothing_else_is_asked_for(client: Any, patient: str) -> None:
    answer = client.get(f"/patients/{patient}/chart?measure=joint-motion")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == VEGA_LITE
    spec = answer.json()
    assert spec["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
    assert [row["value"] for row in spec["usermeta"]["table"]] == [20, 22, 24]
    assert "prescribe nothing" in spec["usermeta"]["caution"]


def test_an_svg_and_a_png_are_drawn_of_it(client: Any, patient: str) -> None:
    svg = client.get(f"/patients/{patient}/chart?measure=joint-motion", headers={"accept": "image/svg+xml"})
    assert svg.headers["content-type"] == "image/svg+xml"
    assert svg.text.startswith("<svg")
    assert "right PIP joint of the index finger" in svg.text
    assert "they prescribe nothing" in svg.text
    assert f"Patient/{patient}" in svg.text
    png = client.get(f"/patients/{patient}/chart?measure=joint-motion", headers={"accept": "image/png"})
    assert png.content.startswith(b"\x89PNG\r\n")
    assert len(png.content) > 5000


class Cells(HTMLParser):
    """The texts of the cells of a page's table."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        if tag == "tr":
            self.rows.append([])
        self._in_cell = tag == "td"
        if self._in_cell:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._in_cell:
            self.rows[-1][-1] += data


def test_a_page_shows_picture_and_table(client: Any, patient: str) -> None:
    answer = client.get(f"/patients/{patient}/chart?measure=joint-motion", headers={"accept": "text/html,*/*"})
    assert answer.headers["content-type"].startswith("text/html")
    cells = Cells()
    cells.feed(answer.text)
    values = [row[4] for row in cells.rows if row]
    assert values == ["20", "22", "24"]
    assert "<figcaption>" in answer.text
    assert "<svg" in answer.text


def test_what_cannot_be_shown(client: Any, patient: str) -> None:
    refused = client.refusal(client.get(f"/patients/{patient}/chart", headers={"accept": "application/pdf"}), 406)
    assert "image/png" in refused["diagnostics"]
    client.refusal(client.get(f"/patients/{patient}/chart?colour=red"), 400)
    client.refusal(client.get("/patients/none/chart"), 404)
    for query, near in (("measure=griip-strength", "grip-strength"), ("site=right-index-pipp", "index-pip")):
        assert near in client.refusal(client.get(f"/patients/{patient}/chart?{query}"), 400)["diagnostics"]
    empty = client.get(f"/patients/{patient}/chart?measure=pain")
    assert json.loads(empty.text)["description"] == "There is no value to show."
    drawn = client.get(f"/patients/{patient}/chart?measure=pain", headers={"accept": "image/png"})
    assert drawn.status_code == 200
