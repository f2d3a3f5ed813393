"""The workshop, as its pages ask for it: what it owns, its scanners' log, its queue, its backup.

request -> owned, backup, footscan.checking -> JSON, or a file to keep
"""

from __future__ import annotations

import asyncio
import shutil
from datetime import date
from typing import Any

from pydantic import ValidationError
from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from footscan.checking import artefact_log, log_file
from insole import __version__
from insole.desk import backup as backups
from insole.desk import owned, queue
from insole.desk.api import arrived, between, body_of, download, service_of, where
from insole.desk.service import Job
from insole.desk.store import Workshop, safe_name
from insole.errors import InsoleError, PlanError

__all__ = ["ROUTES", "scanners_shown"]

SPAN_MM = {"ball": (1.0, 500.0), "spacing": (1.0, 5000.0)}


async def workshop(request: Request) -> Response:
    """Keep what the workshop owns."""
    given = await body_of(request)
    try:
        kept = service_of(request).home.workshop().how
    except InsoleError:  # a damaged file: what is set now takes its place
        kept = {}
    try:
        found = Workshop.model_validate(given | {"how": kept})
    except ValidationError as error:
        raise PlanError(where(error)) from None
    for size in (*found.bed, *found.sheet):
        if not 40 <= size <= 2000:
            raise PlanError("beds and sheets are 40 to 2000 mm each way")
    service_of(request).home.save_workshop(found)
    return JSONResponse(found.model_dump(mode="json"))


async def keep_own(request: Request) -> Response:
    """Keep the workshop's own materials, kit or limits; an empty file takes them away."""
    home, word = service_of(request).home.folder, request.path_params["word"]
    data = await request.body()
    await asyncio.to_thread(owned.keep_own, home, word, data)
    return JSONResponse(await asyncio.to_thread(owned.own_shown, home))


async def send_own(request: Request) -> Response:
    """Send the workshop's own file of a kind."""
    word = request.path_params["word"]
    path = owned.own(service_of(request).home.folder, word) if word.isalpha() else None
    if path is None:
        raise InsoleError("there is no such file of the workshop's own")
    return download(path.read_bytes(), path.name, "application/toml")


async def tick(request: Request) -> Response:
    """Tick a piece as done at the bench, or take the tick back."""
    service, given = service_of(request), await body_of(request)
    case = service.home.case(str(given.get("case", "")))
    folder, piece = str(given.get("folder", "")), str(given.get("piece", ""))
    path = case.made / folder
    if path.parent != case.made or not (path / "manifest.json").is_file():
        raise InsoleError("these parts are not made any more")
    if len(piece) > 300 or not (path / piece).is_file() or ".." in piece.split("/"):
        raise InsoleError("there is no such piece")
    async with service.lock("the bench"):
        owned.Bench(service.home.folder).tick(folder, piece, given.get("done") is True)
        left = await asyncio.to_thread(queue.counts, service.home)
    return JSONResponse(left)


# ------------------------------------------------------------------ scanners


def scanners_shown(request: Request) -> dict[str, Any]:
    """Return the log of scanner checks: one series a scanner and artefact, limits beside them."""
    path = service_of(request).home.scanner_log
    entries = log_file.read(path) if path.exists() else ()
    allowed = {name: limit.limit for name, limit in artefact_log.limits().items()}
    return {
        "series": [one.as_record() for one in artefact_log.drift(entries, date.today())],
        "vouches": {
            name: vouched.words
            for name in sorted({entry.scanner for entry in entries})
            for vouched in [artefact_log.evidence(entries, date.today(), name)]
        },
        "error_limit": allowed["scale-error"],
        "age_limit": allowed["check-age"],
    }


async def scanners(request: Request) -> Response:
    """Send the log of scanner checks."""
    return JSONResponse(await asyncio.to_thread(scanners_shown, request))


async def scanner_log(request: Request) -> Response:
    """Send the log as the file that it is."""
    path = service_of(request).home.scanner_log
    if not path.exists():
        raise InsoleError("no scanner was checked yet")
    return download(path.read_bytes(), path.name, "text/csv")


async def scanner_check(request: Request) -> Response:
    """Check a scanner on a ball, a bar or a plate, and log it; the scan itself does not stay."""
    service, query = service_of(request), request.query_params
    name, scanner = safe_name(query.get("name", "")), query.get("scanner", "").strip()
    given: dict[str, Any] = {"unit": query.get("unit", "mm"), "ball": None, "spacing": None}
    if given["unit"] not in ("mm", "cm", "m", "inch"):
        raise PlanError("the unit is mm, cm, m or inch")
    kind = query.get("kind", "")
    if kind not in ("ball", "bar", "plate"):
        raise PlanError("say what was scanned: a ball, a bar with two balls, or a plate")
    if not scanner:
        raise PlanError("say which scanner it was")
    wanted = {"ball": ("ball",), "bar": ("ball", "spacing"), "plate": ()}[kind]
    for key in wanted:
        given[key] = _length(query.get(key, ""), key)
    day = _day(query.get("date", ""))
    path = service.home.new_upload() / name
    path.parent.mkdir(parents=True)
    try:
        await arrived(request, path, name)
    except BaseException:
        shutil.rmtree(path.parent, ignore_errors=True)
        raise
    lane = service.free_lane()

    async def work(job: Job) -> dict[str, Any]:
        try:
            found = await lane.run("artefact", path, given, say=service.say(job))
        finally:
            shutil.rmtree(path.parent, ignore_errors=True)
        entry = artefact_log.entry_of(
            found, day=day, scanner=scanner, scan=name, software=__version__
        )
        await asyncio.to_thread(log_file.append, service.home.scanner_log, entry)
        return {"passed": found.passed, "lines": found.as_text().split("\n")}

    return JSONResponse(service.start(f"checking {scanner}", lane, work).shown(), 202)


def _length(text: str, key: str) -> float:
    low, high = SPAN_MM[key]
    words = {"ball": "the ball's diameter", "spacing": "the distance of the balls"}[key]
    value = between(text, low, high)
    if value is None:
        raise PlanError(f"{words} is {low:g} to {high:g} mm, as stated on it")
    return value


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text) if text else date.today()
    except ValueError:
        raise PlanError("the day of the scan is a date") from None
    if day > date.today():
        raise PlanError("the day of the scan lies ahead of today")
    return day


# ------------------------------------------------------------------ backup


async def back_up(request: Request) -> Response:
    """Send the whole store as one archive."""
    home = service_of(request).home
    path = home.new_upload().with_suffix(".zip")
    await asyncio.to_thread(backups.back_up, home, path)
    return FileResponse(
        path,
        media_type="application/zip",
        filename=f"solewright-{date.today().isoformat()}.zip",
        background=BackgroundTask(path.unlink, missing_ok=True),
    )


async def restore(request: Request) -> Response:
    """Take a backup in: what is there already stays as it is."""
    service = service_of(request)
    path = service.home.new_upload()
    try:
        await arrived(request, path, "the backup")
    except BaseException:
        path.unlink(missing_ok=True)
        raise

    async def work(job: Job) -> dict[str, Any]:
        job.words = "reading every record"
        try:
            return dict(await asyncio.to_thread(backups.restore, service.home, path))
        finally:
            path.unlink(missing_ok=True)

    return JSONResponse(service.start("restoring", service.bench, work).shown(), 202)


ROUTES = [
    Route("/api/workshop", workshop, methods=["PUT"]),
    Route("/api/own/{word}", keep_own, methods=["PUT"]),
    Route("/api/own/{word}", send_own, methods=["GET"]),
    Route("/api/bench", tick, methods=["PUT"]),
    Route("/api/scanners", scanners, methods=["GET"]),
    Route("/api/scanners/log", scanner_log, methods=["GET"]),
    Route("/api/scanners/scans", scanner_check, methods=["POST"]),
    Route("/api/backup", back_up, methods=["GET"]),
    Route("/api/backup", restore, methods=["POST"]),
]
