"""Response to the orthosis, course in short, nerves and review points over HTTP, of one invented patient."""

from __future__ import annotations

import json
from typing import Any

import pytest

from .conftest import RecordClient
from .test_change import FIRST, arc, told, visit

PATHS = ("orthosis-response", "course-summary", "nerve-follow-up", "review-points")
FOREVER = {"what": "no gripping", "by": "Dr Example (invented)", "side": "right", "since": "2026-03-02"}


def post(client: RecordClient, address: str, said: dict[str, Any], status: int = 201) -> Any:
    answer = client.post(address, content=json.dumps(said), headers={"content-type": "application/json"})
    assert answer.status_code == status, answer.text
    return answer.json()


def flexed(value: int, state: str) -> dict[str, str]:
    return {**arc(f"0-0-{value}"), "orthosis_state": state}


def touch(zone: str, marking: str) -> dict[str, str]:
    return {
        "kind": "touch-threshold", "side": "right", "site": zone, "value": marking, "monofilament_set": "full-20",
    }  # fmt: skip


def splint(client: RecordClient, patient: str, holds: str, checked: bool) -> None:
    """A splint worn from the second week on, that holds one joint; with `checked`, a red flag without an answer."""
    events: list[dict[str, Any]] = [
        {"kind": "fitted", "at": "2026-03-09"},
        {"kind": "worn", "at": "2026-03-09", "regimen": {"wearing": "continuous"}},
    ]
    if checked:
        events.append({"kind": "checked", "at": "2026-03-10", "by": {"name": "A. Invented"},
                       "check": {"findings": {"colour": "pale"}, "red_flag": True}})  # fmt: skip
    said = {
        "patient": {"id": patient}, "decided": str(FIRST), "name": "Splint", "events": events,
        "design": {"side": "right", "digits": ["ring"], "holds": [{"joint": holds, "motion": "flexion", "angle": 30}]},
    }  # fmt: skip
    post(client, "/orthosis-episodes", said)


def filled(client: RecordClient, *, holds: str = "ring-mcp", checked: bool = True) -> str:
    """40 to 75 degrees in the splint, 40 to 42 free; a median nerve repaired, a zone without protective sensation."""
    ident = client.new_patient()[8:]
    post(client, f"/patients/{ident}/course", {"since": "2026-03-08", "affected": ["right"]})
    post(client, f"/patients/{ident}/operations", {
        "what": "suture of the median nerve", "side": "right", "on": "2026-03-02", "nerve_level": "wrist",
    })  # fmt: skip
    splint(client, ident, holds, checked)
    visit(client, ident, 0, flexed(40, "free"), touch("thumb-tip", "6.65"), touch("ring-tip", "6.65"))
    for day, inside, free in ((9, 40, 41), (20, 58, 41), (40, 75, 42)):
        sign = {"kind": "advancing-nerve-sign", "side": "right", "site": "median-nerve", "value": str(day // 10 + 1),
                "unit": "cm", "nerve_landmark": "the repair"}  # fmt: skip
        visit(client, ident, day, flexed(inside, "in-orthosis"), flexed(free, "free"), sign)
    visit(client, ident, 42, touch("thumb-tip", "4.31"), touch("ring-tip", "6.65"))
    return ident


@pytest.fixture(scope="module")
def patient(client: RecordClient) -> str:
    return filled(client)


def test_gains_inside_that_do_not_carry_over(client: RecordClient, patient: str) -> None:
    response = [
        each for each in told(client, patient, "orthosis-response") if each["measure"] == "flexion-position"
    ]  # fmt: skip
    (found,) = response
    assert [(g["state"], g["change"]["amount"]) for g in found["gains"]] == [("in-orthosis", 35), ("free", 1)]
    (carry,) = found["carry_over"]
    assert carry["finding"] == "does-not-carry-over"
    assert carry["interval"]["low"] < 0 < carry["interval"]["high"] < 100
    assert told(client, patient, "orthosis-response", site="left-ring-pip") == []
    until = told(client, patient, "orthosis-response", measure="flexion-position", until="2026-03-12")
    assert until[0]["carry_over"][0]["share"]["absent"] == "one-visit"


def test_a_joint_that_the_orthosis_holds_is_left_out(client: RecordClient) -> None:
    held = filled(client, holds="ring-pip", checked=False)
    (found,) = told(client, held, "orthosis-response", measure="flexion-position")
    assert found["gains"] == []
    assert any("3 readings in an orthosis that holds the joint" in note for note in found["notes"])
    made = [point["rule"] for point in told(client, held, "review-points")["points"]]
    assert "does-not-carry-over" not in made


def test_the_course_in_short(client: RecordClient, patient: str) -> None:
    answer = told(client, patient, "course-summary", measure="flexion-position")
    assert answer["course"]["since"] == "2026-03-08"
    assert (answer["period"]["visits"], answer["before"]["visits"]) == (4, 1)
    inside = next(x for x in answer["lines"] if x["trajectory"]["conditions"]["orthosis_state"] == "in-orthosis")
    assert (inside["baseline"]["value"], inside["best"]["value"], inside["last"]["value"]) == (40, 75, 75)
    assert inside["milestones"][0]["days"] == 11


def test_without_anything_named_it_is_of_the_goals(client: RecordClient, patient: str) -> None:
    ident = client.new_patient()[8:]
    visit(client, ident, 0, arc("0-45-90"))
    assert len(told(client, ident, "course-summary")["lines"]) > 1
    post(client, f"/patients/{ident}/goals", {
        "what": "straight enough for a glove", "whose": "patient", "code": "extension-deficit-active-free",
        "side": "right", "site": "ring-pip", "target": {"value": 2, "unit": "deg"},
    })  # fmt: skip
    (line,) = told(client, ident, "course-summary")["lines"]
    assert line["milestones"][1]["what"] == "straight enough for a glove"
    assert line["milestones"][1]["reached"]["absent"] == "not-reached"


def test_a_nerve_after_its_repair(client: RecordClient, patient: str) -> None:
    (nerve,) = told(client, patient, "nerve-follow-up", site="median-nerve")
    assert nerve["repair"]["level"] == "wrist"
    assert nerve["signs"][0]["rate"] == 1.29, "the median of 1.82, 1.29 and 1.00 mm a day between three visits"
    assert [zone["site"]["code"] for zone in nerve["zones"]["beyond"]] == ["right-ring-tip"]
    assert (nerve["steps"]["better"], nerve["steps"]["worse"], nerve["steps"]["same"]) == (1, 0, 1)
    assert told(client, patient, "nerve-follow-up", site="left-median-nerve") == []


def test_points_come_by_rank_and_go_once_somebody_has_seen_them(client: RecordClient) -> None:
    patient = filled(client)
    points = told(client, patient, "review-points")["points"]
    assert [p["rule"] for p in points][:3] == ["red-flag", "protective-sensation", "does-not-carry-over"]
    carry = points[2]
    assert "+35 deg" in carry["statement"]
    assert "they prescribe nothing" in carry["caution"]
    address = f"/patients/{patient}/review-points/acknowledgements"
    made = post(client, address, {"point": carry["mark"], "note": "talked over with the patient"})
    assert post(client, address, {"point": carry["mark"]}) == made
    provenance = client.get(f"/fhir/{made['reference']}").json()
    assert provenance["target"] == [{"reference": f"Patient/{patient}"}]
    assert provenance["agent"][0]["who"]["display"] == "Local user of this computer"
    assert carry["mark"] in json.dumps(provenance)
    body = client.get(f"/patients/{patient}/review-points").json()
    assert carry["mark"] not in [p["mark"] for p in body["answer"]["points"]]
    assert body["answer"]["quiet"] == 1
    assert body["acknowledged"][0]["note"] == "talked over with the patient"
    visit(client, patient, 50, flexed(78, "in-orthosis"), flexed(41, "free"))
    again = [p for p in told(client, patient, "review-points")["points"] if p["rule"] == "does-not-carry-over"]
    assert len(again) == 1
    assert again[0]["mark"] != carry["mark"]


def test_signing_a_visit_is_nothing_new(client: RecordClient) -> None:
    patient = filled(client)
    before = [p["mark"] for p in told(client, patient, "review-points")["points"]]
    for entry in client.get("/fhir/Encounter", params={"patient": patient}).json()["entry"]:
        assert client.post(f"/visits/{entry['resource']['id']}/sign").status_code == 200
    assert [p["mark"] for p in told(client, patient, "review-points")["points"]] == before


def test_under_a_precaution_only_the_red_flag_is_pointed_at(client: RecordClient) -> None:
    patient = filled(client)
    post(client, f"/patients/{patient}/precautions", {**FOREVER, "sites": ["ring"]})
    body = client.get(f"/patients/{patient}/review-points").json()
    assert [p["rule"] for p in body["answer"]["points"]] == ["red-flag"]
    assert body["answer"]["under_precaution"] == 2
    assert body["precautions"][0]["what"] == "no gripping"


def test_a_point_that_is_not_there_cannot_be_acknowledged(client: RecordClient, patient: str) -> None:
    address = f"/patients/{patient}/review-points/acknowledgements"
    unknown = client.post(address, json={"point": "0000000000000000"})
    assert "No review point" in client.refusal(unknown, 404)["details"]["text"]
    client.refusal(client.post(address, json={"mark": "x"}), 400)
    client.refusal(client.post("/patients/nobody/review-points/acknowledgements", json={"point": "x"}), 404)


@pytest.mark.parametrize("path", PATHS)
def test_an_empty_record_and_no_record(client: RecordClient, path: str) -> None:
    ident = client.new_patient()[8:]
    assert client.get(f"/patients/{ident}/{path}").status_code == 200
    client.refusal(client.get(f"/patients/nobody/{path}"), 404)
    client.refusal(client.get(f"/patients/{ident}/{path}", params={"what": "else"}), 400)
