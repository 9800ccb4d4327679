"""Work in processes: one at a time, seen by all, stopped cleanly, its death told in a sentence."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.requests import Request
from web_support import Site, stand_in, study_in

from noisemap.study.demo import demo_folder
from noisemap.web import app as app_module
from noisemap.web import form
from noisemap.web import jobs as jobs_module


@pytest.fixture
def site(tmp_path: Path) -> Site:
    study_in(tmp_path / "hill")
    return Site(tmp_path)


def job(site: Site) -> Any:
    return site.client.get(f"/api/study/{site.key}/job").json()


def until(site: Site, ready: Callable[[Any], bool], seconds: float = 60.0) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = job(site)
        if found is not None and ready(found):
            return found
        time.sleep(0.05)
    raise AssertionError(f"never ready: {job(site)}")


def begin(site: Site, kind: str = "run", **options: Any) -> Any:
    return site.client.post(f"/api/study/{site.key}/job/{kind}", json=options)


def ended(found: Any) -> bool:
    return bool(found["state"] != "running")


HALF = 'tell(stage="first")\ntell(stage="second")\ntell(done=1, total=4)\n'


def test_progress_is_seen_by_every_client_and_the_result_is_kept(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand = stand_in(monkeypatch, tmp_path, HALF + 'wait("go")\ntell(result={"study": ask})\n')
    assert job(site) is None
    assert begin(site).status_code == 202
    half = until(site, lambda found: found["done"] == 1)
    assert (half["stages"], half["total"], half["state"]) == (["first", "second"], 4, "running")
    other = site.guest()
    other.cookies = site.client.cookies
    assert other.get(f"/api/study/{site.key}/job").json()["stages"] == ["first", "second"]
    busy = begin(site, "check")
    assert busy.status_code == 409
    assert busy.json()["exit_code"] == 75
    assert site.client.get("/api/page").json()["studies"][0]["running"] == "run"
    stand.let("go")
    done = until(site, ended)
    assert (done["state"], done["result"]) == ("done", None)
    last = site.client.get(f"/api/study/{site.key}/job/run").json()
    place = site.workspace.places()[0]
    assert last["result"]["study"] == {
        "kind": "run", "study": str(place.path), "results": str(place.results),
    }  # fmt: skip


def test_a_stopped_job_ends_and_the_next_may_start(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand = stand_in(monkeypatch, tmp_path, HALF + 'wait("go")\ntell(result={})\n')
    begin(site)
    until(site, lambda found: found["done"] == 1)
    assert site.client.delete(f"/api/study/{site.key}/job").status_code == 202
    assert until(site, ended)["state"] == "cancelled"
    assert site.client.get(f"/api/study/{site.key}/job/run").json()["result"] is None
    stand.let("go")
    begin(site)
    assert until(site, ended)["state"] == "done"


def test_a_job_that_does_not_listen_is_ended_with_what_it_started(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs_module, "PATIENCE_S", 0.2)
    deaf = (
        "import signal, subprocess\n"
        "signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        'child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(300)"])\n'
        '(folder / "child").write_text(str(child.pid))\n' + HALF + 'wait("never")\n'
    )
    stand_in(monkeypatch, tmp_path, deaf)
    begin(site)
    until(site, lambda found: found["done"] == 1)
    child = int((tmp_path / "child").read_text())
    site.client.delete(f"/api/study/{site.key}/job")
    assert until(site, ended)["state"] == "cancelled"
    end = time.monotonic() + 10.0
    while time.monotonic() < end and _alive(child):
        time.sleep(0.05)
    assert not _alive(child)


def _alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] not in ("Z", "X")
    except OSError:
        return False


def test_a_death_is_told_with_a_cure(
    site: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(monkeypatch, tmp_path, HALF + f"os.kill(os.getpid(), {int(signal.SIGKILL)})\n")
    begin(site)
    found = until(site, ended)
    assert found["state"] == "failed"
    assert found["error"]["exit_code"] == 70
    assert "by signal 9" in found["error"]["text"]
    assert "max_distance_m" in found["error"]["text"]
    assert begin(site).status_code == 202
    until(site, ended)


def test_options_are_checked_before_anything_starts(site: Site) -> None:
    route = {
        "start": "a", "target": "b", "truck": None, "exhaust": "muffled", "depart_s": None,
        "no_zones": False,
    }  # fmt: skip
    for change in ({"start": ""}, {"depart_s": 90_000}, {"no_zones": "yes"}, {"truck": 3}):
        assert begin(site, "route", **{**route, **change}).status_code == 400
    assert begin(site, "format").status_code == 400
    assert job(site) is None


def test_the_worker_tells_faults_by_field(tmp_path: Path) -> None:
    study = study_in(tmp_path / "hill")
    study.write_text(study.read_text().replace('hours = "22-7"', 'hours = "22:30-7"\nshare = 3'))
    site = Site(tmp_path)
    begin(site)
    found = until(site, ended)
    assert found["error"]["exit_code"] == 78
    assert {one["field"] for one in found["error"]["problems"]} == {
        "zone[1].hours",
        "zone[1].share",
    }
    site.jobs.close()


def test_readings_are_judged_with_their_sheets(tmp_path: Path) -> None:
    site = Site(tmp_path)
    text = (demo_folder() / "readings.csv").read_bytes()
    assert site.client.post("/api/inspection/my readings.csv", content=text).status_code == 202
    end = time.monotonic() + 60.0
    while (found := site.client.get("/api/inspection").json())["state"] == "running":
        assert time.monotonic() < end
        time.sleep(0.1)
    assert found["error"] is None
    result = found["result"]
    assert sum(result["counts"].values()) == len(result["rows"])
    assert all(row["verdict"] for row in result["rows"])
    address = f"/inspections/{result['number']}/{result['rows'][0]['sheet']}"
    sheet = site.client.get(address)
    assert sheet.status_code == 200
    assert sheet.headers["content-security-policy"].startswith("sandbox")
    assert (tmp_path / "inspections" / "001" / "my readings.csv").read_bytes() == text
    for wrong in ("/inspections/1/..%2f..%2fx.csv", "/inspections/2/inspections.csv"):
        assert site.client.get(wrong).status_code == 404
    assert site.client.post("/api/inspection/a.pdf", content=b"x").status_code == 400


def test_a_fault_of_ours_is_a_sentence_and_is_logged(
    site: Site, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(request: Request) -> Any:
        raise ZeroDivisionError("inner detail")

    monkeypatch.setattr(form, "study_text", broken)
    answer = site.client.get(f"/api/study/{site.key}")
    assert answer.status_code == 500
    assert "Traceback" not in answer.text
    assert "inner detail" not in answer.text
    assert "Reload" in answer.json()["error"]
    assert "inner detail" in caplog.text


def test_each_kind_of_error_has_its_status() -> None:
    for kind, status in app_module.STATUS:
        assert app_module.status_of(kind("x")) == status


def test_a_foreign_package_beside_the_study_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "noisemap").mkdir()
    mark = tmp_path / "ran"
    (tmp_path / "noisemap" / "__init__.py").write_text(f"open({str(mark)!r}, 'w')")
    monkeypatch.chdir(tmp_path)
    study_in(tmp_path / "hill", "schema = 2\n")
    site = Site(tmp_path)
    begin(site, "check")
    assert until(site, ended)["state"] == "done"
    assert not mark.exists()
    assert os.listdir(tmp_path / "noisemap") == ["__init__.py"]
