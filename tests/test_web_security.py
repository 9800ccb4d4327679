"""Who gets in, what may be written where, and what is never handed out."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from click.testing import CliRunner
from web_support import PORT, Site, study_in

from noisemap.cli.serve import serve_command
from noisemap.errors import BusyError, UsageError
from noisemap.web import app as app_module
from noisemap.web.security import TOKEN_HEADER, Door
from noisemap.web.server import bind, check_host, workspace_of
from noisemap.web.workspace import checked_name


@pytest.fixture
def site(tmp_path: Path) -> Site:
    study_in(tmp_path / "hill")
    return Site(tmp_path)


def test_the_key_lets_a_browser_in_and_nothing_else_does(site: Site) -> None:
    guest = site.guest()
    assert guest.get("/").status_code == 403
    assert guest.get("/api/page").status_code == 403
    assert guest.get("/open?key=wrong").status_code == 403
    assert "set-cookie" not in guest.get("/open").headers
    entry = guest.get(f"/open?key={site.door.key}")
    assert entry.status_code == 200
    cookie = entry.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert guest.get("/").status_code == 200
    assert site.door.key not in guest.get("/").text
    assert site.door.token in guest.get("/").text


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1:80", f"10.0.0.5:{PORT}", "", "127.0.0.1"],
)
def test_a_foreign_host_is_refused(site: Site, host: str) -> None:
    for path in ("/", f"/open?key={site.door.key}", "/api/page"):
        assert site.client.get(path, headers={"host": host}).status_code == 403


@pytest.mark.parametrize("host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"[::1]:{PORT}"])
def test_the_own_hosts_are_taken(site: Site, host: str) -> None:
    cookie = f"{site.door.cookie}={site.door.key}"
    answer = site.guest().get("/api/page", headers={"host": host, "cookie": cookie})
    assert answer.status_code == 200


def test_on_a_network_figures_are_taken_and_names_are_not() -> None:
    door = Door(PORT, network=True)
    assert door.knows_host(f"192.168.1.7:{PORT}")
    assert door.knows_host(f"[fe80::1]:{PORT}")
    assert not door.knows_host(f"my-town.example:{PORT}")
    assert not door.knows_host("192.168.1.7:9")


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_foreign_page_is_refused(site: Site, headers: dict[str, str]) -> None:
    assert site.client.get("/api/page", headers=headers).status_code == 403
    body = {"name": "x", "from": "demo"}
    assert site.client.post("/api/studies", json=body, headers=headers).status_code == 403
    assert not (site.workspace.root / "x").exists()


def test_our_own_page_is_taken(site: Site) -> None:
    headers = {"origin": f"http://127.0.0.1:{PORT}", "sec-fetch-site": "same-origin"}
    assert site.client.get("/api/page", headers=headers).status_code == 200


@pytest.mark.parametrize("token", ["", "wrong"])
def test_nothing_is_written_without_the_token(site: Site, token: str) -> None:
    base, headers = f"/api/study/{site.key}", {TOKEN_HEADER: token}
    before = {path: path.read_bytes() for path in site.workspace.root.rglob("*") if path.is_file()}
    tries = (
        ("POST", "/api/studies"),
        ("PUT", base),
        ("POST", f"{base}/zone"),
        ("PUT", f"{base}/file/a.csv"),
        ("POST", f"{base}/job/run"),
        ("DELETE", f"{base}/job"),
        ("POST", "/api/inspection/a.csv"),
    )
    for method, path in tries:
        assert site.client.request(method, path, content=b"{}", headers=headers).status_code == 403
    after = {path: path.read_bytes() for path in site.workspace.root.rglob("*") if path.is_file()}
    assert after == before


def test_what_writes_takes_json_only(site: Site) -> None:
    body = json.dumps({"name": "x", "from": "template"})
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        answer = site.client.post("/api/studies", content=body, headers={"content-type": kind})
        assert answer.status_code == 400
    headers = {"content-type": "application/json"}
    for text in (b"[1]", b"{", b"\xff", b'{"a":' * 5000):
        answer = site.client.post("/api/studies", content=text, headers=headers)
        assert answer.status_code == 400
    long = site.client.post("/api/studies", content=b" " * 2_100_000, headers=headers)
    assert long.status_code == 400


def test_every_answer_carries_the_safety_headers(site: Site) -> None:
    for client, path in ((site.client, "/"), (site.guest(), "/"), (site.client, "/nowhere")):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "name",
    [
        "../up.csv", "..", "a/b.csv", "a\\b.csv", ".hidden.csv", "con.csv", "nul", "a\x00.csv",
        "a\n.csv", "x" * 130 + ".csv", "<b>.csv", 'q".csv', "-rf.csv", "end.", "c:x.csv", "  ",
    ],
)  # fmt: skip
def test_names_that_could_lead_elsewhere_are_refused(site: Site, name: str) -> None:
    with pytest.raises(UsageError):
        checked_name(name)
    answer = site.client.post("/api/studies", json={"name": name, "from": "template"})
    assert answer.status_code == 400
    assert sorted(path.name for path in site.workspace.root.iterdir()) == ["hill"]


@pytest.mark.parametrize(
    "path",
    ["..%2Fup.csv", "%2Fetc%2Fx.csv", "..%5Cup.csv", "study.toml", "run.py", "x.html", "page.svg"],
)
def test_an_upload_stays_in_the_study_and_is_a_file_that_studies_read(
    site: Site, path: str
) -> None:
    before = sorted(site.workspace.root.rglob("*"))
    text = (site.workspace.root / "hill" / "study.toml").read_text()
    answer = site.client.put(f"/api/study/{site.key}/file/{path}?replace=1", content=b"x")
    assert answer.status_code in (400, 404)
    assert sorted(site.workspace.root.rglob("*")) == before
    assert (site.workspace.root / "hill" / "study.toml").read_text() == text


def test_an_upload_is_whole_or_not_at_all(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    base, folder = f"/api/study/{site.key}/file", site.workspace.root / "hill"
    assert site.client.put(f"{base}/counts.csv", content=b"a,b\n").status_code == 201
    assert (folder / "counts.csv").read_bytes() == b"a,b\n"
    again = site.client.put(f"{base}/counts.csv", content=b"other")
    assert again.status_code == 409
    assert (folder / "counts.csv").read_bytes() == b"a,b\n"
    assert site.client.put(f"{base}/counts.csv?replace=1", content=b"new").status_code == 201
    assert (folder / "counts.csv").read_bytes() == b"new"
    assert site.client.put(f"{base}/empty.csv", content=b"").status_code == 422
    monkeypatch.setattr(app_module, "MAX_UPLOAD_BYTES", 1000)
    stated = site.client.put(f"{base}/long.csv", content=b"x" * 1001)
    unstated = site.client.put(f"{base}/long.csv", content=iter([b"x" * 600, b"x" * 600]))
    assert (stated.status_code, unstated.status_code) == (422, 422)
    assert "larger than" in stated.json()["error"]
    assert not [path for path in folder.iterdir() if path.name.startswith((".upload", "long"))]


def test_links_are_not_followed(site: Site, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (outside / "secret.csv").write_text("secret")
    study_in(outside / "other")
    folder = site.workspace.root / "hill"
    os.symlink(outside / "secret.csv", folder / "linked.csv")
    os.symlink(outside / "other", site.workspace.root / "linked")
    results = folder / "noisemap-output"
    results.mkdir()
    os.symlink(outside / "secret.csv", results / "secret.csv")
    os.symlink(outside, results / "tables")
    listed = site.client.get("/api/page").json()["studies"]
    assert [one["file"] for one in listed] == ["hill/study.toml"]
    assert "linked.csv" not in [row["name"] for row in site.study()["files"]]
    for name in ("secret.csv", "tables/secret.csv"):
        assert site.client.get(f"/results/{site.key}/{name}").status_code == 404
    put = site.client.put(f"/api/study/{site.key}/file/linked.csv?replace=1", content=b"mine")
    assert put.status_code == 409
    assert (outside / "secret.csv").read_text() == "secret"
    os.symlink(outside, site.workspace.root / "inspections")
    assert site.client.post("/api/inspection/a.csv", content=b"x").status_code == 409
    assert sorted(path.name for path in outside.iterdir()) == ["other", "secret.csv"]


@pytest.mark.parametrize(
    "path",
    [
        "../study.toml", "%2e%2e/study.toml", "..%2fstudy.toml", "a/../../study.toml",
        ".noisemap.lock", "store/manifest.bin", "missing.html", "run.sh", "", "/etc/passwd",
    ],
)  # fmt: skip
def test_only_results_are_handed_out(site: Site, path: str) -> None:
    results = site.workspace.root / "hill" / "noisemap-output"
    (results / "store").mkdir(parents=True)
    for name in (".noisemap.lock", "store/manifest.bin", "run.sh", "report.html"):
        (results / name).write_text("x")
    answer = site.client.get(f"/results/{site.key}/{path}")
    assert answer.status_code == 404
    assert "schema" not in answer.text
    good = site.client.get(f"/results/{site.key}/report.html")
    assert good.status_code == 200
    assert good.headers["content-security-policy"].startswith("sandbox ")
    assert "allow-same-origin" not in good.headers["content-security-policy"]


def test_results_outside_the_study_are_not_shown(tmp_path: Path) -> None:
    study = study_in(tmp_path / "hill")
    (tmp_path / "report.html").write_text("other people's")
    study.write_text(study.read_text() + '\n[output]\nfolder = ".."\n')
    site = Site(tmp_path)
    assert site.client.get(f"/results/{site.key}/report.html").status_code == 404


def test_assets_are_those_of_the_package(site: Site) -> None:
    for name in ("main.js", "page.css", "leaflet.js"):
        assert site.client.get(f"/assets/{name}").status_code == 200
    for name in ("..%2fshell.py", "page.html", "shell.py", "%2e%2e%2fapp.py", "x.js"):
        assert site.client.get(f"/assets/{name}").status_code == 404


def test_another_address_needs_leave() -> None:
    for host in ("127.0.0.1", "::1", "localhost", "127.8.9.1"):
        check_host(host, network=False)
    for host in ("0.0.0.0", "192.168.1.7", "::", "my-town.example"):
        with pytest.raises(UsageError, match="--allow-network"):
            check_host(host, network=False)
        check_host(host, network=True)
    result = CliRunner().invoke(serve_command, ["--host", "0.0.0.0"])
    assert isinstance(result.exception, UsageError)


def test_a_taken_port_is_said(tmp_path: Path) -> None:
    listener = bind("127.0.0.1", 0)
    with listener, pytest.raises(BusyError, match="--port"):
        bind("127.0.0.1", listener.getsockname()[1])


def test_the_workspace_is_what_the_command_names(tmp_path: Path) -> None:
    study = study_in(tmp_path / "hill")
    assert workspace_of(tmp_path).named is None
    assert workspace_of(tmp_path / "hill").named == study.resolve()
    assert workspace_of(study).root == study.parent.resolve()
    with pytest.raises(Exception, match="is not there"):
        workspace_of(tmp_path / "none")


def test_the_command_serves_until_it_is_stopped(tmp_path: Path) -> None:
    study_in(tmp_path / "hill")
    command = [sys.executable, "-m", "noisemap", "serve", str(tmp_path), "--port", "0"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        address = next(line.strip() for line in process.stdout if "http://" in line)
        found = urlsplit(address)
        assert found.hostname == "127.0.0.1"
        with urllib.request.urlopen(address, timeout=30) as answer:
            assert "SameSite=strict" in answer.headers["set-cookie"]
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate(timeout=30)
    assert (process.returncode, errors) == (0, "")
    assert "Stop with Ctrl-C" in rest
