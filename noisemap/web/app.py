"""The page's addresses: what each takes and gives."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from noisemap.errors import (
    BadDataError,
    BusyError,
    CannotWriteError,
    MissingInputError,
    NoisemapError,
    StudyError,
    UsageError,
)
from noisemap.web import form, shell
from noisemap.web.jobs import FAULT, Jobs, log
from noisemap.web.security import ENTRY, Door, Guard, same, sentence
from noisemap.web.workspace import (
    MAX_UPLOAD_BYTES,
    Place,
    Workspace,
    receive_file,
    result_file,
    result_names,
    study_files,
    too_large,
)

MAX_JSON_BYTES = 2_000_000
MAX_READINGS_BYTES = 20 * 1024**2

STATUS: tuple[tuple[type[NoisemapError], int], ...] = (
    (UsageError, 400),
    (MissingInputError, 404),
    (BusyError, 409),
    (CannotWriteError, 409),
    (StudyError, 422),
    (BadDataError, 422),
)

PAPER = "frame-ancestors 'self'"
OWN_FRAME = f"sandbox allow-scripts allow-downloads; {PAPER}"
"""A result that holds scripts runs apart from the page: a folder may come from anywhere."""

INSPECTION_OWNER = "inspection"

Endpoint = Callable[[Request], Awaitable[Response]]


class Page:
    """The endpoints over one workspace."""

    def __init__(self, workspace: Workspace, door: Door, jobs: Jobs) -> None:
        self.workspace = workspace
        self.door = door
        self.jobs = jobs

    def routes(self) -> list[Route]:
        """Every address of the page."""
        table: list[tuple[str, str, Endpoint]] = [
            (ENTRY, "GET", self.enter),
            ("/", "GET", self.index),
            ("/assets/{name}", "GET", self.asset),
            ("/api/page", "GET", self.page),
            ("/api/studies", "POST", self.start_study),
            ("/api/study/{key}", "GET", self.study),
            ("/api/study/{key}", "PUT", self.save),
            ("/api/study/{key}/zone", "POST", self.zone),
            ("/api/study/{key}/file/{name}", "PUT", self.upload),
            ("/api/study/{key}/job", "GET", self.job),
            ("/api/study/{key}/job/{kind}", "GET", self.last_job),
            ("/api/study/{key}/job/{kind}", "POST", self.begin),
            ("/api/study/{key}/job", "DELETE", self.cancel),
            ("/api/inspection", "GET", self.inspection),
            ("/api/example-readings", "GET", self.example),
            ("/api/inspection/{name}", "POST", self.inspect),
            ("/results/{key}/{path:path}", "GET", self.result),
            ("/inspections/{number:int}/{name}", "GET", self.sheet),
            ("/map/{key}", "GET", self.map),
        ]
        return [Route(path, guarded(end), methods=[method]) for path, method, end in table]

    async def enter(self, request: Request) -> Response:
        """Trade the key of the printed address for a cookie."""
        if not same(request.query_params.get("key", ""), self.door.key):
            return sentence("This key is not the one of the running server; copy it again.", 403)
        # A page, not a redirect: only then is the next request one of our own.
        answer = HTMLResponse(shell.ENTRY_PAGE)
        answer.set_cookie(
            self.door.cookie, self.door.key, path="/", httponly=True, samesite="strict"
        )
        return answer

    async def index(self, _request: Request) -> Response:
        """The page itself."""
        return HTMLResponse(await run_in_threadpool(shell.page_html, self.door.token))

    async def asset(self, request: Request) -> Response:
        """A packaged script or style sheet."""
        content, kind = await run_in_threadpool(shell.asset, request.path_params["name"])
        return Response(content, media_type=kind)

    async def page(self, _request: Request) -> Response:
        """The studies, and what stands on every screen."""
        return JSONResponse(await run_in_threadpool(self._page))

    def _page(self) -> dict[str, Any]:
        return {
            "folder": str(self.workspace.root),
            "named": self.workspace.named is not None,
            "studies": [self._listed(place) for place in self.workspace.places()],
            "cautions": shell.cautions(),
        }

    def _listed(self, place: Place) -> dict[str, Any]:
        table = place.content().get("study")
        name = table.get("name") if isinstance(table, dict) else None
        job = self.jobs.current(place.key)
        return {
            "key": place.key,
            "file": self.workspace.shown(place.path),
            "name": str(name or "study without a name")[:200],
            "computed": "map.html" in result_names(place.results),
            "running": job.kind if job is not None and job.state == "running" else None,
        }

    async def start_study(self, request: Request) -> Response:
        """A new study, from the template or the demo."""
        body = await json_body(request)
        name = str(body.get("name", ""))
        place = await run_in_threadpool(self.workspace.start, name, body.get("from") == "demo")
        return JSONResponse({"key": place.key}, 201)

    def place(self, request: Request) -> Place:
        """The study that a request speaks of."""
        return self.workspace.place(request.path_params["key"])

    async def study(self, request: Request) -> Response:
        """A study's form, faults, files and results."""
        return JSONResponse(await run_in_threadpool(self._study, self.place(request)))

    def _study(self, place: Place) -> dict[str, Any]:
        text = form.study_text(place)
        files = study_files(place)
        return {
            **self._listed(place),
            **form.form_values(text),
            "text": text,
            "digest": place.digest(),
            "files": files,
            "problems": form.faults_of(text, place.path.name) + form.absent(text, place),
            "trucks": form.truck_names(text),
            "results": result_names(place.results),
            "current": "map.html" in result_names(place.results) and form.is_current(place),
        }

    async def save(self, request: Request) -> Response:
        """Write the form, or the whole text, into the study file."""
        place, body = self.place(request), await json_body(request)
        digest = str(body.get("digest", ""))
        if "text" in body:
            await run_in_threadpool(form.save_text, place, digest, str(body["text"]))
        else:
            values, zones = body.get("values", {}), body.get("zones", [])
            if not isinstance(values, dict) or not isinstance(zones, list):
                raise UsageError("The form must send values and zones.")
            await run_in_threadpool(form.save_form, place, digest, values, zones)
        return JSONResponse(await run_in_threadpool(self._study, place))

    async def zone(self, request: Request) -> Response:
        """Keep a scenario of the map as a zone of the study."""
        place, body = self.place(request), await json_body(request)
        name = await run_in_threadpool(form.add_zone, place, body)
        return JSONResponse({"name": name}, 201)

    async def upload(self, request: Request) -> Response:
        """Put a file into the study's folder."""
        place, name = self.place(request), request.path_params["name"]
        refuse_long(request, name, MAX_UPLOAD_BYTES)
        size = await receive_file(
            place.folder,
            name,
            request.query_params.get("replace") == "1",
            request.stream(),
            MAX_UPLOAD_BYTES,
        )
        return JSONResponse({"name": name, "bytes": size}, 201)

    async def job(self, request: Request) -> Response:
        """What runs, or ran last, for a study."""
        job = self.jobs.current(self.place(request).key)
        return JSONResponse(None if job is None else job.told(whole=False))

    async def last_job(self, request: Request) -> Response:
        """The last job of one kind."""
        job = self.jobs.last(self.place(request).key, request.path_params["kind"])
        return JSONResponse(None if job is None else job.told())

    async def begin(self, request: Request) -> Response:
        """Start a job."""
        place, body = self.place(request), await json_body(request)
        kind = request.path_params["kind"]
        wanted = {"study": str(place.path), "results": str(place.results), **options(kind, body)}
        job = await run_in_threadpool(self.jobs.begin, place.key, kind, wanted)
        return JSONResponse(job.told(whole=False), 202)

    async def cancel(self, request: Request) -> Response:
        """Stop what runs for a study."""
        self.jobs.cancel(self.place(request).key)
        return JSONResponse({}, 202)

    async def inspection(self, _request: Request) -> Response:
        """The last set of readings."""
        job = self.jobs.last(INSPECTION_OWNER, "inspect")
        return JSONResponse(None if job is None else job.told())

    async def example(self, _request: Request) -> Response:
        """Invented readings to start from."""
        return JSONResponse({"text": await run_in_threadpool(shell.example_readings)})

    async def inspect(self, request: Request) -> Response:
        """Take readings and judge them."""
        name = request.path_params["name"]
        if not name.lower().endswith((".csv", ".xlsx")):
            raise UsageError(f"{name}: readings come as .csv or .xlsx")
        refuse_long(request, name, MAX_READINGS_BYTES)
        folder = await run_in_threadpool(self.workspace.inspection_folder)
        await receive_file(folder, name, False, request.stream(), MAX_READINGS_BYTES)
        wanted = {"readings": str(folder / name.strip()), "folder": str(folder)}
        job = await run_in_threadpool(self.jobs.begin, INSPECTION_OWNER, "inspect", wanted)
        return JSONResponse(job.told(whole=False), 202)

    async def result(self, request: Request) -> Response:
        """A file of a study's results."""
        place, name = self.place(request), request.path_params["path"]
        return shown_file(await run_in_threadpool(result_file, place.results, name))

    async def sheet(self, request: Request) -> Response:
        """A file of an inspection."""
        folder = self.workspace.inspections / f"{request.path_params['number']:03d}"
        return shown_file(await run_in_threadpool(result_file, folder, request.path_params["name"]))

    async def map(self, request: Request) -> Response:
        """The map with the what-if, run by our own scripts over the data of the last run.

        A map that another version made runs its own scripts, apart from the page.
        """
        place = self.place(request)
        file = await run_in_threadpool(result_file, place.results, "map.html")
        text = await run_in_threadpool(shell.map_html, file, place.key, self.door.token)
        if text is None:
            return RedirectResponse(f"/results/{place.key}/map.html")
        return HTMLResponse(text)


def build_app(workspace: Workspace, door: Door, jobs: Jobs) -> Guard:
    """The whole page behind its guard."""
    inner = Starlette(
        routes=Page(workspace, door, jobs).routes(),
        exception_handlers={HTTPException: no_such_address},
    )
    return Guard(inner, door)


def guarded(endpoint: Endpoint) -> Endpoint:
    """An endpoint whose errors end in a sentence."""

    async def answer(request: Request) -> Response:
        try:
            return await endpoint(request)
        except NoisemapError as error:
            return failure(str(error), status_of(error), error.exit_code, form.problems_of(error))
        except ClientDisconnect:
            return Response(status_code=400)
        except Exception:
            log.exception("%s %s", request.method, request.url.path)
            return failure(
                "A fault of noisemap itself; nothing of yours was changed by it. Reload the page; "
                "if it comes again, the window in which `noisemap serve` runs shows where, "
                "please report it.",
                500,
                FAULT,
            )

    return answer


def failure(
    text: str, status: int, exit_code: int, problems: list[dict[str, str]] | None = None
) -> Response:
    """An error as the page reads it."""
    content = {"error": text, "exit_code": exit_code, "problems": problems or []}
    return JSONResponse(content, status)


def status_of(error: NoisemapError) -> int:
    """The HTTP status nearest to an error's kind."""
    return next((status for kind, status in STATUS if isinstance(error, kind)), 500)


async def no_such_address(_request: Request, error: Exception) -> Response:
    """The answer to an address that the page does not have."""
    assert isinstance(error, HTTPException)
    return failure("The page has no such address.", error.status_code, UsageError.exit_code)


async def json_body(request: Request) -> dict[str, Any]:
    """The JSON object of a request that writes.

    Raises
    ------
    UsageError
        When it is none, or too long.
    """
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise UsageError("The page takes JSON here.")
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > MAX_JSON_BYTES:
            raise UsageError("The page takes at most 2 MB of settings.")
    return shell.json_object(bytes(body))


def refuse_long(request: Request, name: str, most: int) -> None:
    """Refuse a file by its stated length, before it travels.

    Raises
    ------
    BadDataError
        When it is over the cap.
    """
    stated = request.headers.get("content-length", "")
    if stated.isdecimal() and int(stated) > most:
        raise too_large(name, most)


def shown_file(path: Path) -> Response:
    """A file that the browser shows or keeps, its scripts apart from our own."""
    # Browsers refuse to show a PDF apart; it carries no script of ours to be apart from.
    policy = PAPER if path.suffix.lower() == ".pdf" else OWN_FRAME
    return FileResponse(path, headers={"content-security-policy": policy})


TEXT_OPTIONS = ("home", "road", "start", "target", "exhaust")
EMPTY_OPTIONS = ("zone", "truck")
ASKED: dict[str, tuple[str, ...]] = {
    "listen": ("home", "road", "speed_kmh", "zone"),
    "route": ("start", "target", "truck", "exhaust", "depart_s", "no_zones"),
    "descend": ("road", "truck", "exhaust", "depart_s", "no_zones"),
}
"""What a job is asked, beside its study."""


def options(kind: str, body: dict[str, Any]) -> dict[str, Any]:
    """The options of a job, each of its type.

    Raises
    ------
    UsageError
        When one is missing or of another type.
    """
    return {name: _option(name, body.get(name)) for name in ASKED.get(kind, ())}


def _option(name: str, value: Any) -> Any:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if name in TEXT_OPTIONS and isinstance(value, str) and 0 < len(value.strip()) <= 300:
        return value.strip()
    if name in EMPTY_OPTIONS and (value is None or isinstance(value, str)):
        return value or None
    if name == "speed_kmh" and number:
        return float(value)
    if name == "depart_s" and (value is None or (number and 0 <= value < 86_400)):
        return value
    if name == "no_zones" and isinstance(value, bool):
        return value
    raise UsageError(f"{name}: fill this in")
