"""The form over a study file: what it changes, what it leaves, what it refuses."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from web_support import STUDY, Site, study_in

from noisemap.study.demo import demo_folder, new_study
from noisemap.study.load import load_study
from noisemap.web.form import FIELDS, form_values


@pytest.fixture
def site(tmp_path: Path) -> Site:
    study_in(tmp_path / "hill")
    return Site(tmp_path)


def save(site: Site, values: dict[str, Any] | None = None, **changes: Any) -> Any:
    study = site.study()
    body = {
        "digest": study["digest"],
        "values": {**study["values"], **(values or {})},
        "zones": study["zones"],
    }
    return site.client.put(f"/api/study/{site.key}", json={**body, **changes})


def text(site: Site) -> str:
    return (site.workspace.root / "hill" / "study.toml").read_text(encoding="utf-8")


def test_saving_what_was_read_changes_not_a_sign(site: Site) -> None:
    assert save(site).status_code == 200
    assert text(site) == STUDY


@pytest.mark.parametrize("source", ["demo", "template"])
def test_the_shipped_studies_survive_a_save(tmp_path: Path, source: str) -> None:
    study = new_study(tmp_path / "hill")
    if source == "demo":
        study.write_bytes((demo_folder() / "study.toml").read_bytes())
    before = study.read_text(encoding="utf-8")
    assert save(Site(tmp_path)).status_code == 200
    assert study.read_text(encoding="utf-8") == before


def test_a_change_leaves_comments_and_other_keys_alone(site: Site) -> None:
    values = {"study.name": "New hill", "homes.people_per_dwelling": 2.1, "roads.names": ["SR 1"]}
    assert save(site, values).status_code == 200
    now = text(site)
    for comment in ("# my own comment", "# kept", "# the first"):
        assert comment in now
    content = tomllib.loads(now)
    assert content["study"]["name"] == "New hill"
    assert content["homes"] == {"file": "homes.geojson", "people_per_dwelling": 2.1}
    assert content["roads"]["names"] == ["SR 1"]
    assert {**content, "study": 0, "homes": 0, "roads": 0} == {
        **tomllib.loads(STUDY), "study": 0, "homes": 0, "roads": 0,
    }  # fmt: skip


def test_an_empty_field_takes_its_key_away(site: Site) -> None:
    save(site, {"ground.default_factor": 0.4})
    assert tomllib.loads(text(site))["ground"] == {"default_factor": 0.4}
    save(site, {"ground.default_factor": None})
    assert tomllib.loads(text(site))["ground"] == {}
    assert site.study()["problems"] == []


def test_traffic_changes_between_counts_and_an_average_day(site: Site) -> None:
    save(site, {"traffic.file": None, "traffic.assumed.vehicles_per_day": 4000.0})
    assert load_study(site.workspace.places()[0].path).traffic.assumed is not None
    save(site, {"traffic.file": "traffic.csv", "traffic.assumed.vehicles_per_day": None})
    assert tomllib.loads(text(site)) == tomllib.loads(STUDY)


def test_zones_are_changed_added_and_taken_away(site: Site) -> None:
    zone = {**site.study()["zones"][0], "to_m": 1200.0}
    fresh = {
        "name": "night", "road": "SR 1", "from_mi": 0.5, "to_mi": 1.25, "hours": "22-7",
        "binds": "compression_release", "observance": 0.5,
    }  # fmt: skip
    assert save(site, zones=[zone, fresh]).status_code == 200
    study = load_study(site.workspace.places()[0].path)
    assert [(one.name, one.observance) for one in study.zone] == [("town", 0.7), ("night", 0.5)]
    assert study.zone[0].end == 1200.0
    assert "# the first" in text(site)
    save(site, zones=[fresh])
    assert [one["name"] for one in tomllib.loads(text(site))["zone"]] == ["night"]
    save(site, zones=[])
    assert "zone" not in tomllib.loads(text(site))


def test_faults_name_the_field_that_they_speak_of(site: Site) -> None:
    zones = [{"name": "bad", "road": "SR 1", "from_m": 5.0, "to_m": 1.0, "observance": 70.0}]
    values = {"roads.file": "gone.geojson", "homes.people_per_dwelling": -1.0}
    answer = save(site, values, zones=zones)
    assert answer.status_code == 200
    fields = {problem["field"] for problem in answer.json()["problems"]}
    assert {"roads.file", "homes.people_per_dwelling", "zone[1].observance"} <= fields
    said = {problem["field"]: problem["text"] for problem in answer.json()["problems"]}
    assert "write 0.7" in said["zone[1].observance"]
    assert "gone.geojson" in said["roads.file"]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"roads.width_m": 3.0}, "no key of the form"),
        ({"homes.people_per_dwelling": "many"}, "no number"),
        ({"homes.people_per_dwelling": True}, "no number"),
        ({"units": "furlongs"}, "us, metric"),
        ({"study.name": ["a"]}, "text"),
        ({"terrain.files": "a.tif"}, "list"),
        ({"study.name": "x" * 401}, "400"),
    ],
)
def test_what_the_form_cannot_hold_is_refused(
    site: Site, values: dict[str, Any], said: str
) -> None:
    answer = save(site, values)
    assert answer.status_code == 400
    assert said in answer.json()["error"]
    assert text(site) == STUDY


def test_a_change_from_elsewhere_is_not_overwritten(site: Site) -> None:
    study = site.study()
    changed = STUDY.replace("Test hill", "Changed in an editor")
    (site.workspace.root / "hill" / "study.toml").write_text(changed)
    for body in ({"values": study["values"], "zones": []}, {"text": STUDY}):
        answer = site.client.put(f"/api/study/{site.key}", json={"digest": study["digest"], **body})
        assert answer.status_code == 409
        assert answer.json()["exit_code"] == 75
    assert text(site) == changed


def test_the_text_is_saved_when_it_is_toml(site: Site) -> None:
    digest = site.study()["digest"]
    bad = site.client.put(f"/api/study/{site.key}", json={"digest": digest, "text": "a = ["})
    assert bad.status_code == 422
    assert text(site) == STUDY
    new = STUDY.replace("900.0", "800.0")
    assert site.client.put(f"/api/study/{site.key}", json={"digest": digest, "text": new}).json()[
        "zones"
    ][0]["to_m"] == pytest.approx(800.0)


@pytest.mark.parametrize("content", ["a = [", "\xff\xfe", "zone = 3\n", "[zone]\nname = 1\n"])
def test_a_broken_study_is_shown_and_never_overwritten(site: Site, content: str) -> None:
    path = site.workspace.root / "hill" / "study.toml"
    path.write_bytes(content.encode("latin-1"))
    site.client.get("/api/page").json()
    answer = site.client.get(f"/api/study/{site.key}")
    if content == "\xff\xfe":
        assert answer.status_code == 422
        return
    assert answer.json()["problems"]
    body = {"digest": answer.json()["digest"], "values": {}, "zones": [{"name": "a"}]}
    assert site.client.put(f"/api/study/{site.key}", json=body).status_code in (400, 422)
    assert path.read_bytes() == content.encode("latin-1")


def test_a_scenario_of_the_map_becomes_a_zone(site: Site) -> None:
    scenario = {
        "name": "town", "road": "SR 1", "from_m": 200.0, "to_m": 700.0,
        "hours": [22, 23, 0, 1, 2, 3, 4, 5, 6], "binds": "compression_release", "observance": 0.8,
    }  # fmt: skip
    address = f"/api/study/{site.key}/zone"
    assert site.client.post(address, json=scenario).json() == {"name": "town (2)"}
    zones = tomllib.loads(text(site))["zone"]
    assert zones[0]["name"] == "town"
    assert zones[1]["hours"] == "22-7"
    assert zones[1] == {**scenario, "name": "town (2)", "hours": "22-7"}
    wrong = site.client.post(address, json={**scenario, "to_m": 100.0})
    assert wrong.status_code == 422
    assert "beyond its start" in wrong.json()["error"]
    assert len(tomllib.loads(text(site))["zone"]) == 2


def test_a_scenario_carries_its_emergency_use_only_where_it_has_one(site: Site) -> None:
    scenario = {"name": "steep", "road": "SR 1", "from_m": 200.0, "to_m": 700.0, "hours": [5]}
    address = f"/api/study/{site.key}/zone"
    for use in ("", 0.1):
        assert site.client.post(address, json={**scenario, "emergency_use": use}).is_success
    plain, used = tomllib.loads(text(site))["zone"][1:]
    assert "emergency_use" not in plain
    assert used["emergency_use"] == 0.1


def test_a_new_zone_stands_apart_from_what_follows(site: Site) -> None:
    path = site.workspace.places()[0].path
    path.write_text(STUDY + "\n[run]\nseed = 5\n")
    scenario = {"name": "new", "road": "SR 1", "from_m": 1.0, "to_m": 2.0, "hours": [5]}
    assert site.client.post(f"/api/study/{site.key}/zone", json=scenario).status_code == 201
    assert '"22-7"\n\n[[zone]]\nname = "new"' in text(site)
    assert '"5-6"\n\n[run]\nseed = 5\n' in text(site)


def test_a_scenario_needs_hours_of_a_day(site: Site) -> None:
    scenario = {"name": "x", "road": "SR 1", "from_m": 1.0, "to_m": 2.0, "hours": [24]}
    assert site.client.post(f"/api/study/{site.key}/zone", json=scenario).status_code == 400


def test_names_with_markup_stay_text(site: Site) -> None:
    name = '</script><img src=x onerror=alert(1)>" = [#'
    save(site, {"study.name": name})
    assert site.study()["name"] == name
    assert tomllib.loads(text(site))["study"]["name"] == name
    assert site.client.get("/api/page").headers["content-type"] == "application/json"


def test_every_key_of_the_form_is_a_key_of_the_study() -> None:
    from noisemap.study.model import Study

    for field in FIELDS:
        model: Any = Study
        for part in field.key.split("."):
            annotation = model.model_fields[part].annotation
            model = next(
                (one for one in getattr(annotation, "__args__", (annotation,)) if one is not None),
                annotation,
            )


def test_results_are_current_until_the_study_changes(site: Site) -> None:
    place = site.workspace.places()[0]
    assert not site.study()["current"]
    place.results.mkdir()
    (place.results / "map.html").write_text("x")
    made = {"inputs_sha256": {"study.toml": place.digest()}}
    (place.results / "provenance.json").write_text(json.dumps(made))
    assert site.study()["current"]
    save(site, {"study.name": "other"})
    assert not site.study()["current"]


def test_a_new_study_starts_from_the_template_or_the_demo(tmp_path: Path) -> None:
    site = Site(tmp_path)
    made = site.client.post("/api/studies", json={"name": "my hill", "from": "template"})
    assert made.status_code == 201
    study = site.study()
    assert study["key"] == made.json()["key"]
    assert {problem["field"] for problem in study["problems"]} == {
        "terrain.files", "roads.file", "homes.file", "traffic.file",
    }  # fmt: skip
    again = site.client.post("/api/studies", json={"name": "my hill", "from": "demo"})
    assert again.status_code == 409
    assert (
        site.client.post("/api/studies", json={"name": "town", "from": "demo"}).status_code == 201
    )
    demo = next(place for place in site.workspace.places() if place.folder.name == "town")
    assert site.client.get(f"/api/study/{demo.key}").json()["problems"] == []


def test_values_of_a_text_that_is_no_toml() -> None:
    assert form_values("a = [")["readable"] is False


def test_a_map_of_another_version_runs_apart_from_the_page(site: Site) -> None:
    place = site.workspace.places()[0]
    assert site.client.get(f"/map/{site.key}").status_code == 404
    place.results.mkdir()
    for text in ("<p>no map</p>", '<script type="application/json" id="study-data">{}</script>'):
        (place.results / "map.html").write_text(text)
        answer = site.client.get(f"/map/{site.key}")
        assert answer.url.path == f"/results/{site.key}/map.html"
        assert answer.text == text
        assert answer.headers["content-security-policy"].startswith("sandbox")
        assert site.door.token not in answer.text
