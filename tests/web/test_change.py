"""Change, trend and phases over HTTP: the answers of one invented course, and what is refused."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import pytest

from .conftest import RecordClient

FIRST = date(2026, 3, 2)
DAYS = (0, 3, 7, 10, 14, 35, 38, 42, 45, 49, 52, 56, 59, 63, 66)
DEFICITS = tuple(zip(DAYS, (45, 46, 44, 45, 46, 25, 23, 20, 18, 14, 12, 11, 9, 7, 6), strict=True))


def arc(value: str) -> dict[str, str]:
    return {
        "kind": "joint-motion", "side": "right", "site": "ring-pip", "motion": "extension-flexion", "mode": "active",
        "orthosis_state": "free", "together": "alone", "value": value, "unit": "deg", "convention": "neutral-zero",
    }  # fmt: skip


def visit(client: RecordClient, patient: str, day: int, *readings: dict[str, Any], by: str = "A. Invented") -> None:
    when = FIRST + timedelta(days=day)
    said = {"patient": {"id": patient}, "when": f"{when}T09:30:00+02:00", "by": {"name": by}, "readings": [*readings]}
    answer = client.post("/visits", content=json.dumps(said), headers={"content-type": "application/json"})
    assert answer.status_code == 201, answer.text


def cast(client: RecordClient, patient: str, number: int, day: int) -> None:
    start = f"{FIRST + timedelta(days=day)}T10:15:00+02:00"
    end = f"{FIRST + timedelta(days=day + 7)}T09:00:00+02:00"
    said = {
        "patient": {"id": patient},
        "decided": str(FIRST),
        "name": f"Cast {number}",
        "series": {"name": "casts of spring", "number": number},
        "design": {
            "side": "right", "form": "cast", "region": "finger", "digits": ["ring"], "mechanism": "serial-static",
            "holds": [{"joint": "ring-pip", "motion": "flexion", "angle": 40}], "removable": "no",
        },
        "events": [
            {"kind": "fitted", "at": start},
            {"kind": "worn", "at": start, "regimen": {"wearing": "continuous"}},
            {"kind": "ended", "at": end, "reason": "replaced"},
        ],
    }  # fmt: skip
    answer = client.post("/orthosis-episodes", json=said)
    assert answer.status_code == 201, answer.text


@pytest.fixture(scope="module")
def patient(client: RecordClient) -> str:
    """A joint that exercise does not move, three casts, and steady gain after them."""
    ident = client.new_patient()[8:]
    for day, deficit in DEFICITS:
        visit(client, ident, day, arc(f"0-{deficit}-90"))
    for number, day in enumerate((14, 21, 28), 1):
        cast(client, ident, number, day)
    return ident


def told(client: RecordClient, patient: str, path: str, **asked: str) -> Any:
    answer = client.get(f"/patients/{patient}/{path}", params=asked)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"].startswith("application/json")
    assert "they prescribe nothing" in answer.json()["caution"]
    return answer.json()["answer"]


def of(measure: str, items: list[dict[str, Any]]) -> dict[str, Any]:
    (found,) = [each for each in items if each["trajectory"]["measure"] == measure]
    return found


def test_change_stands_beside_its_error_and_the_opposite_direction(client: RecordClient, patient: str) -> None:
    answer = told(client, patient, "change")
    extension = of("extension-position", answer["changes"])
    assert extension["change"]["amount"] == 39
    assert extension["change"]["verdict"] == "improved"
    assert extension["change"]["limit"]["most"] == 13.5821
    assert extension["change"]["examiners"] == "same"
    assert extension["change"]["percent"]["absent"] == "no-ratio"
    assert extension["opposite"]["amount"] == 0
    assert extension["trajectory"]["error"][0]["source"].startswith("Macionis")
    assert all(point["inputs"][0]["version"] == "1" for point in extension["trajectory"]["points"])
    assert answer["count"] == {
        "series": 2, "beyond": 1, "better": 1, "worse": 0, "by_error_alone": 0.1, "without_error": 0,
    }  # fmt: skip


def test_the_baseline_is_named_by_its_rule(client: RecordClient, patient: str) -> None:
    answer = told(client, patient, "change", baseline="last-visit-before", day="2026-04-01", until="2026-04-10")
    extension = of("extension-position", answer["changes"])
    assert answer["baseline"].endswith("(2026-04-01)")
    assert extension["change"]["amount"] == 46 - 23
    assert told(client, patient, "change", measure="flexion-position")["changes"][0]["change"]["amount"] == 0
    assert told(client, patient, "change", site="left-ring-pip")["changes"] == []


def test_where_the_joint_stands_by_its_latest_visits(client: RecordClient, patient: str) -> None:
    extension = of("extension-position", told(client, patient, "trend", series="together"))
    assert extension["window"] == "the phase at the last visit: no orthosis"
    assert extension["standing"]["answer"] == "gaining"
    assert extension["standing"]["trend"]["visits"] == 10
    assert extension["standing"]["trend"]["allowed"]["low"] > 0
    assert extension["whole"]["visits"] == 15
    before = of("extension-position", told(client, patient, "trend", until="2026-03-16"))
    assert before["standing"]["answer"] == "cannot-be-told"
    assert before["standing"]["more_visits"] > 2
    since = of("extension-position", told(client, patient, "trend", since="2026-04-21"))
    assert since["standing"]["trend"]["visits"] == 5


def test_a_goal_is_the_headline_and_has_a_projected_day(client: RecordClient) -> None:
    ident = client.new_patient()[8:]
    for day, deficit in DEFICITS[5:]:
        visit(client, ident, day, arc(f"0-{deficit}-90"))
    goal = {
        "what": "straight enough for a glove", "whose": "patient", "code": "extension-deficit-active-free",
        "side": "right", "site": "ring-pip", "target": {"value": 2, "unit": "deg"},
    }  # fmt: skip
    answer = client.post(f"/patients/{ident}/goals", content=json.dumps(goal),
                         headers={"content-type": "application/json"})  # fmt: skip
    assert answer.status_code == 201, answer.text
    change = told(client, ident, "change")
    (headline,) = change["headline"]
    assert change["changes"][headline]["trajectory"]["measure"] == "extension-position"
    extension = of("extension-position", told(client, ident, "trend"))
    assert extension["aims"][0]["value"] == -2
    assert extension["projections"][0]["earliest"].startswith("2026-05")


def test_what_happened_during_each_phase(client: RecordClient, patient: str) -> None:
    extension = of("extension-position", told(client, patient, "phases"))
    labels = [phase["label"] for phase in extension["phases"]]
    assert labels[0] == labels[-1] == "no orthosis"
    assert labels[1] == "Cast 1, day and night (casts of spring 1)"
    assert extension["phases"][1]["dose"][0]["prescribed"] == 168
    together = of("extension-position", told(client, patient, "phases", series="together"))
    assert [phase["label"] for phase in together["phases"]][1] == "series casts of spring"
    (contrast,) = together["contrasts"]
    assert {index["name"]: index["value"] for index in contrast["indices"]}["nap"] == 1
    assert contrast["slope_change"]["interval"]["low"] > 0
    assert all(phase["sentence"].startswith("During ") for phase in together["phases"])


def test_another_examiner_needs_an_error_between_examiners(client: RecordClient) -> None:
    ident = client.new_patient()[8:]
    visit(client, ident, 0, arc("0-45-90"))
    visit(client, ident, 7, arc("0-20-90"), by="B. Invented")
    change = of("extension-position", told(client, ident, "change")["changes"])["change"]
    assert change["examiners"] == "different"
    assert change["changed"] == ["performer: A. Invented before, B. Invented now"]
    assert any("between examiners" in note for note in change["notes"])


def test_a_retracted_reading_is_left_out_and_nothing_is_a_crash(client: RecordClient) -> None:
    ident = client.new_patient()[8:]
    assert told(client, ident, "change")["changes"] == []
    assert told(client, ident, "trend") == told(client, ident, "phases") == []
    visit(client, ident, 0, arc("0-45-90"))
    visit(client, ident, 7, arc("0-20-90"))
    found = client.get("/fhir/Observation", params={"patient": ident, "code": "extension-deficit-active-free"}).json()
    first = min((entry["resource"] for entry in found["entry"]), key=lambda r: r["effectiveDateTime"])
    first["status"] = "entered-in-error"
    assert client.send_fhir("PUT", f"/fhir/Observation/{first['id']}", first).status_code == 200
    extension = of("extension-position", told(client, ident, "change")["changes"])
    assert extension["trajectory"]["left_out"][0]["because"]["absent"] == "retracted"
    assert extension["change"]["verdict"] == "cannot-be-told"


@pytest.mark.parametrize(
    ("path", "asked", "words"),
    [
        ("change", {"baseline": "the-worst"}, "not a rule for a baseline"),
        ("change", {"baseline": "last-visit-before"}, "needs that day"),
        ("change", {"day": "2026-04-01"}, "only baseline=last-visit-before takes a day"),
        ("trend", {"since": "April"}, "'April' is not a day"),
        ("phases", {"series": "apart"}, "not an answer to 'series'"),
        ("phases", {"day": "2026-04-01"}, "day"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    client: RecordClient, patient: str, path: str, asked: dict[str, str], words: str
) -> None:
    refused = client.refusal(client.get(f"/patients/{patient}/{path}", params=asked), 400)
    assert words in refused["details"]["text"]


def test_a_patient_who_is_not_there(client: RecordClient) -> None:
    for path in ("change", "trend", "phases"):
        client.refusal(client.get(f"/patients/nobody/{path}"), 404)


def test_a_single_grip_reading_points_to_the_error_that_stands_with_the_mean_of_three(client: RecordClient) -> None:
    ident = client.new_patient()[8:]
    for day, trials in ((0, ("20", "21", "22")), (28, ("30", "31", "32"))):
        readings = {"kind": "grip-strength", "side": "right", "site": "hand", "trials": [*trials], "unit": "kgf"}
        visit(client, ident, day, readings)
    changes = told(client, ident, "change")["changes"]
    reading = [each for each in changes if each["trajectory"]["measure"] != "grip-summary"]
    assert reading
    for each in reading:
        assert "stands with the grip summary" in each["change"]["words"]
        assert "no published error" not in each["change"]["words"]
    answer = client.get(f"/patients/{ident}/chart", params={"measure": "grip-strength"})
    rows = answer.json()["usermeta"]["table"]
    assert rows
    assert all("stands with the grip summary" in row["error"] for row in rows)
    assert "error not published" not in answer.text


def test_answers_say_how_many_readings_are_not_signed(client: Any) -> None:
    patient = client.new_patient()
    visit = {
        "patient": {"id": patient.removeprefix("Patient/")}, "when": "2026-03-02T09:30", "zone": "Europe/Vienna",
        "by": {"name": "A. Invented, hand therapist"},
        "readings": [{"kind": "grip-strength", "side": "right", "site": "hand", "trials": ["20"], "unit": "kgf"}],
    }  # fmt: skip
    assert client.post("/visits", json=visit).status_code == 201
    for name in ("change", "trend", "phases"):
        told = client.get(f"/{patient.replace('Patient', 'patients')}/{name}").json()
        assert told["notes"] == ["1 of 1 readings belong to visits that are not signed yet"]
