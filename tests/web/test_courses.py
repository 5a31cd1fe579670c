"""The course of therapy over HTTP: written down, shown on a day, and minded before a reading."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.web.courses import EXAMPLES

ROOT = Path(__file__).resolve().parents[2]
PRECAUTION, GOAL = EXAMPLES["precautions"], EXAMPLES["goals"]
KINDS = {
    "course": "EpisodeOfCare",
    "parts": "Condition",
    "injuries": "Condition",
    "operations": "Procedure",
    "referrals": "ServiceRequest",
    "precautions": "Flag",
    "goals": "Goal",
    "pictures": "Media",
}
SAID = {name: (said, KINDS[name]) for name, said in EXAMPLES.items()}


def post(client: Any, patient: str, name: str, said: Any) -> Any:
    path = f"/{patient.replace('Patient', 'patients')}/{name}"
    return client.post(path, content=json.dumps(said), headers={"content-type": "application/json"})


def get(client: Any, patient: str, name: str, **query: str) -> Any:
    answer = client.get(f"/{patient.replace('Patient', 'patients')}/{name}", params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.fixture
def patient(client: Any) -> str:
    return str(client.new_patient())


@pytest.fixture
def course(client: Any, patient: str) -> str:
    for name, (said, _) in SAID.items():
        assert post(client, patient, name, said).status_code == 201
    return patient


@pytest.mark.parametrize("name", SAID)
def test_each_is_written_down_once(client: Any, patient: str, name: str) -> None:
    said, kind = SAID[name]
    first, again = post(client, patient, name, said), post(client, patient, name, said)
    assert (first.status_code, again.status_code) == (201, 201), first.text
    assert first.json() == again.json()
    assert first.json()["reference"].startswith(f"{kind}/")
    stored = client.get(first.headers["location"]).json()
    assert stored["resourceType"] == kind
    assert (stored.get("subject") or stored.get("patient"))["reference"] == patient


def test_the_course_is_shown_as_it_stands_on_a_day(client: Any, course: str) -> None:
    shown = get(client, course, "course", on="2026-03-03")
    assert [(each["since"], each["days"]) for each in shown["elapsed"]] == [("injury", 30), ("operation", 28)]
    assert [each["what"] for each in shown["in_force"]] == [PRECAUTION["what"]]
    assert "structures" in shown["referrals"][0]["leaves_out"]
    assert "zone" not in shown["referrals"][0]["leaves_out"]
    assert shown["goals"][0]["reached"] == "no-reading"
    assert shown["course"]["reference"] == "left"
    later = get(client, course, "course", on="2026-04-29")
    assert later["in_force"] == []
    assert [each["what"] for each in later["other_precautions"]] == [PRECAUTION["what"]]


def test_precautions_are_known_before_anything_is_measured(client: Any, course: str) -> None:
    def minded(**query: str) -> list[tuple[str, bool]]:
        found = get(client, course, "precautions", on="2026-03-03", **query)["precautions"]
        return [(each["precaution"]["what"], each["names_kind"]) for each in found]

    assert minded(side="right", site="ring-pip", kind="grip-strength") == [(PRECAUTION["what"], True)]
    assert minded(side="right", site="ring-pip", kind="joint-motion") == [(PRECAUTION["what"], False)]
    assert minded(side="left", site="ring-pip") == []
    assert minded() == [(PRECAUTION["what"], False)]


def visit(client: Any, patient: str, when: str, **reading: Any) -> Any:
    said = {
        "patient": {"id": patient.removeprefix("Patient/")},
        "when": when,
        "by": {"name": "A. Invented"},
        "readings": [{"kind": "grip-strength", "side": "right", "value": "24", "unit": "kgf",
                      "orthosis_state": "free", **reading}],
    }  # fmt: skip
    return client.post("/visits", content=json.dumps(said), headers={"content-type": "application/json"})


def test_a_kind_that_a_precaution_names_is_asked_about_and_kept_with_its_reason(client: Any, course: str) -> None:
    asked = visit(client, course, "2026-03-03T10:00+01:00")
    assert asked.status_code == 422
    assert "precaution" in asked.text
    assert PRECAUTION["what"] in asked.text
    accepted = visit(client, course, "2026-03-03T10:00+01:00", confirmed="agreed with the surgeon")
    assert accepted.status_code == 201, accepted.text
    assert "precaution in force" in accepted.text
    reference = accepted.json()["readings"][0]["reference"]
    kept = client.get(f"/fhir/{reference}").json()["component"]
    cautions = [c for c in kept if c["code"]["coding"][0]["code"] == "caution"]
    assert cautions[0]["valueCodeableConcept"]["text"] == "agreed with the surgeon"
    assert visit(client, course, "2026-05-03T10:00+02:00").status_code == 201
    assert get(client, course, "course", on="2026-05-03")["goals"][0]["missing"]["number"] == 6


def test_a_precaution_ends_when_somebody_says_so(client: Any, course: str) -> None:
    flag = post(client, course, "precautions", PRECAUTION).json()["reference"].removeprefix("Flag/")
    said = {"until": "2026-03-01", "by": "Dr Example"}
    assert post(client, course, f"precautions/{flag}/end", said).json()["version"] == 2
    assert get(client, course, "course", on="2026-03-03")["in_force"] == []
    before = post(client, course, f"precautions/{flag}/end", {"until": "2026-01-01", "by": "Dr Example"})
    assert before.status_code == 422
    assert "before it begins" in before.text
    other = client.new_patient()
    assert post(client, other, f"precautions/{flag}/end", said).status_code == 422


OPEN = SAID["course"][0]


def change(client: Any, patient: str, said: Any, **headers: str) -> Any:
    path = f"/{patient.replace('Patient', 'patients')}/course"
    return client.put(path, content=json.dumps(said), headers={"content-type": "application/json", **headers})


def test_a_course_is_changed_as_a_new_version(client: Any, course: str) -> None:
    refused = post(client, course, "course", {**OPEN, "dominant": "right"})
    client.refusal(refused, 409)
    first = change(client, course, {**OPEN, "dominant": "right", "reference": None}, **{"if-match": 'W/"1"'})
    assert (first.status_code, first.json()["version"]) == (200, 2), first.text
    shown = get(client, course, "course")["course"]
    assert (shown["dominant"], shown["reference"], shown["since"]) == ("right", None, OPEN["since"])
    again = change(client, course, {**OPEN, "dominant": "right", "reference": None})
    assert again.json()["version"] == 2
    client.refusal(change(client, course, OPEN, **{"if-match": 'W/"1"'}), 412)
    before = client.get(f"/fhir/{first.json()['reference']}/_history/1").json()
    assert any(each["url"].endswith("reference-side") for each in before["extension"])


def test_what_another_system_wrote_beside_a_course_stays_with_it(client: Any, course: str) -> None:
    stored = client.get(post(client, course, "course", OPEN).headers["location"]).json()
    stored["identifier"] = [{"system": "https://elsewhere.example/episode", "value": "E-1"}]
    stored["extension"].append({"url": "https://elsewhere.example/colour", "valueString": "green"})
    assert client.send_fhir("PUT", f"/fhir/EpisodeOfCare/{stored['id']}", stored).status_code == 200
    assert change(client, course, {**OPEN, "reference": None}).status_code == 200
    kept = client.get(f"/fhir/EpisodeOfCare/{stored['id']}").json()
    assert kept["identifier"] == stored["identifier"]
    assert [each["url"].rpartition("/")[2] for each in kept["extension"]] == ["affected-side", "colour"]


def test_a_course_ends_and_its_precautions_hold_on(client: Any, course: str) -> None:
    ended = post(client, course, "course/end", {"until": "2026-03-31"})
    assert ended.status_code == 200, ended.text
    assert ended.json()["still_in_force"] == [PRECAUTION["what"]]
    assert post(client, course, "course/end", {"until": "2026-03-31"}).json()["version"] == ended.json()["version"]
    assert client.get(ended.headers["location"]).json()["status"] == "finished"
    shown = get(client, course, "course", on="2026-04-01")
    assert shown["course"]["until"] == "2026-03-31"
    assert [each["what"] for each in shown["in_force"]] == [PRECAUTION["what"]]
    later = post(client, course, "course/end", {"until": "2026-04-30"}).json()
    assert (later["version"], later["still_in_force"]) == (3, [])
    assert visit(client, course, "2026-03-03T10:00+01:00").status_code == 422


def test_what_was_marked_in_an_ended_course_holds_for_its_readings(client: Any, course: str) -> None:
    for side in ("left", "right"):
        taken = visit(client, course, "2026-05-03T10:00+02:00", side=side)
        assert taken.status_code == 201, taken.text
    assert post(client, course, "course/end", {"until": "2026-05-31"}).status_code == 200
    summary = client.get(f"/{course.replace('Patient', 'patients')}/summary").json()
    assert [hand["role"] for hand in summary["hands"]] == ["affected", "reference"]
    assert summary["hands"][0]["grip"][0]["main"]["now_of_reference"]["value"]["number"] == 100
    assert any("ended on 2026-05-31" in note for note in summary["notes"])
    again = {**OPEN, "since": "2026-06-10", "reference": None}
    assert post(client, course, "course", again).status_code == 201
    anew = client.get(f"/{course.replace('Patient', 'patients')}/summary").json()
    assert {hand["role"] for hand in anew["hands"]} == {"not stated"}
    assert not any("ended" in note for note in anew["notes"])
    assert post(client, course, "course", OPEN).status_code == 201
    assert get(client, course, "course")["course"]["since"] == "2026-06-10"


def test_a_course_that_cannot_end_or_change_is_refused(client: Any, patient: str) -> None:
    client.refusal(change(client, patient, OPEN), 404)
    client.refusal(post(client, patient, "course/end", {"until": "2026-03-31"}), 404)
    assert post(client, patient, "course", OPEN).status_code == 201
    client.refusal(post(client, patient, "course/end", {"until": "2026-01-31"}), 422)
    client.refusal(post(client, patient, "course/end", {}), 400)
    assert get(client, patient, "course")["course"]["until"] is None
    assert post(client, patient, "course/end", {"until": "2026-03-31"}).status_code == 200
    client.refusal(change(client, patient, {**OPEN, "reference": None}), 404)
    client.refusal(post(client, patient, "course", {**OPEN, "reference": None}), 409)


def test_a_goal_may_name_a_metric(client: Any, course: str) -> None:
    goal = {
        "what": "nearly as strong as the other hand", "whose": "clinician", "metric": "grip-ratio", "side": "right",
        "site": "hand", "target": {"value": 90, "unit": "%"}, "better": "more",
        "conditions": {"orthosis_state": "free"},
    }  # fmt: skip
    made = post(client, course, "goals", goal)
    assert made.status_code == 201, made.text
    stored = client.get(made.headers["location"]).json()
    assert stored["target"][0]["measure"]["coding"][0]["code"] == "grip-ratio"
    for side, value in (("right", "20"), ("left", "40")):
        assert visit(client, course, "2026-05-03T10:00+02:00", side=side, value=value).status_code == 201
    (shown,) = (g for g in get(client, course, "course", on="2026-05-03")["goals"] if g["goal"]["metric"])
    assert (shown["reached"], shown["missing"]["number"]) == ("not-reached", 40)
    assert [part["value"]["number"] for part in shown["result"]["parts"]] == [20, 40]
    client.refusal(post(client, course, "goals", {**goal, "better": None}), 422)


BAD = {
    "an unknown member": ("course", {"since": "2026-02-01", "affected": [], "mood": "good"}, 400),
    "no day": ("course", {"affected": ["right"]}, 400),
    "a day in words": ("injuries", {"what": "cut", "side": "right", "on": "yesterday"}, 400),
    "no such digit": ("injuries", {"what": "cut", "side": "right", "digits": ["sixth"]}, 422),
    "no such site": ("precautions", {**PRECAUTION, "sites": ["thumb-pip"]}, 422),
    "no such kind": ("precautions", {**PRECAUTION, "kinds": ["lifting"]}, 422),
    "nobody said so": ("precautions", {**PRECAUTION, "by": " "}, 400),
    "no such item": ("referrals", {"on": "2026-02-04", "tells": {"mood": "good"}}, 422),
    "mass for force": ("goals", {**GOAL, "target": {"value": 30, "unit": "kg"}}, 422),
    "no such measure": ("goals", {**GOAL, "code": "strength"}, 422),
    "a loss without a level": (
        "parts",
        {"side": "right", "site": "index", "state": "absent", "since": "2026-01-01"},
        422,
    ),
    "no consent": ("pictures", {**EXAMPLES["pictures"], "purposes": []}, 422),
    "consent to something else": ("pictures", {**EXAMPLES["pictures"], "purposes": ["fun"]}, 422),
    "a picture in the record": ("pictures", {**EXAMPLES["pictures"], "url": "data:image/png;base64,AAAA"}, 422),
    "a photo that is a film": ("pictures", {**EXAMPLES["pictures"], "content_type": "video/mp4"}, 422),
    "no such view": ("pictures", {**EXAMPLES["pictures"], "view": "best"}, 422),
    "a list": ("goals", [GOAL], 400),
}


@pytest.mark.parametrize("case", BAD)
def test_what_cannot_be_is_refused_and_leaves_nothing(client: Any, patient: str, case: str) -> None:
    name, said, status = BAD[case]
    answer = post(client, patient, name, said)
    client.refusal(answer, status)
    shown = get(client, patient, "course")
    assert shown["course"] is None
    assert not any(shown[each] for each in ("injuries", "referrals", "in_force", "other_precautions", "goals", "parts"))


def test_an_unknown_patient_and_day_are_refused(client: Any, patient: str) -> None:
    assert post(client, "Patient/nobody", "goals", GOAL).status_code == 404
    assert client.get(f"/{patient.replace('Patient', 'patients')}/course", params={"on": "soon"}).status_code == 422


def test_the_fhir_door_keeps_the_same_rules(client: Any, course: str) -> None:
    location = post(client, course, "precautions", PRECAUTION).headers["location"]
    flag = client.get(location).json()
    flag["extension"] = [each for each in flag["extension"] if "place" not in each["url"]]
    answer = client.send_fhir("POST", "/fhir/Flag", {k: v for k, v in flag.items() if k not in ("id", "meta")} | {
        "meta": {"profile": flag["meta"]["profile"]}
    })  # fmt: skip
    client.refusal(answer, 422)
    assert "at least one part" in answer.text


def test_the_summary_shows_what_its_results_are_read_against(client: Any, course: str) -> None:
    post(client, course, "precautions", {**PRECAUTION, "until": None})
    assert visit(client, course, "2026-03-03T10:00+01:00", confirmed="agreed with the surgeon").status_code == 201
    shown = client.get(f"/{course.replace('Patient', 'patients')}/summary").json()
    (measure,) = shown["hands"][0]["grip"]
    assert [each["what"] for each in measure["precautions"]] == [PRECAUTION["what"]]
    assert [(each["since"], each["days"]) for each in measure["elapsed_now"]] == [("injury", 30), ("operation", 28)]
    assert [each["what"] for each in shown["precautions"]] == [PRECAUTION["what"]]


def test_the_answer_to_a_visit_names_the_precautions_that_touch_each_reading(client: Any, course: str) -> None:
    told = visit(client, course, "2026-03-03T10:00+01:00", confirmed="agreed with the surgeon").json()
    assert told["readings"][0]["precautions"] == [f"{PRECAUTION['what']} (until 2026-04-28, {PRECAUTION['by']})"]
    assert [each["days"] for each in told["readings"][0]["elapsed"]] == [30, 28]


def observed(client: Any, patient: str, kind: str, day: str = "2026-03-03") -> dict[str, Any]:
    """The example of a kind as a resource of this patient, without what refers to others."""
    path = ROOT / "examples" / "resources" / "good" / f"Observation-{kind}.json"
    resource = json.loads(path.read_text())
    for name in ("id", "encounter"):
        resource.pop(name, None)
    performer = [{"display": "A. Invented"}]
    return {
        **resource,
        "subject": {"reference": patient},
        "performer": performer,
        "effectiveDateTime": f"{day}T10:00:00Z",
    }


def caution(rule: str) -> dict[str, Any]:
    base = "https://hand-therapy-record.example/fhir/CodeSystem"
    stated = {"coding": [{"system": f"{base}/caution", "code": rule}], "text": "agreed with the surgeon"}
    return {
        "code": {"coding": [{"system": f"{base}/reading-context", "code": "caution"}]},
        "valueCodeableConcept": stated,
    }


def test_the_fhir_door_asks_about_a_kind_that_a_precaution_names(client: Any, course: str) -> None:
    assert post(client, course, "precautions", {**PRECAUTION, "side": "left"}).status_code == 201
    resource = observed(client, course, "grip-strength")
    client.refusal(client.send_fhir("POST", "/fhir/Observation", resource), 422)
    assert client.send_fhir(
        "POST", "/fhir/Observation", observed(client, course, "grip-strength", "2026-05-03")
    ).is_success
    resource["component"].append(caution("precaution-in-force"))
    answer = client.send_fhir("POST", "/fhir/Observation", resource)
    assert answer.status_code == 201, answer.text
    stored = answer.json()
    stored["component"].pop()
    client.refusal(client.send_fhir("PUT", f"/fhir/Observation/{stored['id']}", stored), 422)


@pytest.mark.parametrize("bundle", ["alone", "transaction"])
def test_the_fhir_door_refuses_a_reading_of_a_part_that_is_not_there(client: Any, patient: str, bundle: str) -> None:
    lost = {"side": "right", "site": "ring", "state": "absent", "level": "pip", "since": "2026-01-01"}
    assert post(client, patient, "parts", lost).status_code == 201
    resource = observed(client, patient, "tip-to-palm")
    if bundle == "alone":
        answer = client.send_fhir("POST", "/fhir/Observation", resource)
        answer_of_the_other_day = client.send_fhir(
            "POST", "/fhir/Observation", observed(client, patient, "tip-to-palm", "2025-12-31")
        )
        assert answer_of_the_other_day.status_code == 201
    else:
        entry = {"resource": resource, "request": {"method": "POST", "url": "Observation"}}
        answer = client.send_fhir("POST", "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    client.refusal(answer, 422)
    assert "absent" in answer.text
