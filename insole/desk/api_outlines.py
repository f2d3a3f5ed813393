"""Outlines photographed by riders who never come: traced one by one, then shoes ranked for them.

a set of photos -> HOME/incoming/outlines-<set>/ -> insole.remote -> record, picture, first trial

Nothing of them is kept: what was traced lies with the uploads, which are swept at the next start.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from footscan.outline.typed import RANGES
from insole.desk.api import arrived, between, download, foot_of, service_of
from insole.desk.owned import own
from insole.desk.service import Job, Service
from insole.desk.store import bare_name, plain_name
from insole.errors import InsoleError, PlanError

__all__ = ["ROUTES"]

ENDINGS = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff")
PAPERS = ("", "a4", "letter", "a4-pair", "letter-pair")
LOADS = ("", "seated", "half", "full")
PEN_MM = (0.0, 20.0)
MOST = 12  # photos of one set
LONGEST = 80


def _folder(service: Service, request: Request) -> Path:
    """Return the folder of a set of photos."""
    word = request.path_params["set"]
    if not re.fullmatch(r"[0-9a-f]{16}", word):
        raise InsoleError("there is no such set of photos")
    return service.home.incoming / f"outlines-{word}"


def _photo_name(name: str) -> str:
    """Return a photo's bare name, or refuse it."""
    stem, ending = bare_name(name, "photo", ENDINGS, LONGEST)
    return f"{stem[:LONGEST]}.{ending}"


def _number(text: str, name: str, low: float, high: float) -> float | None:
    """Return a figure that was typed beside the photo, or None."""
    if not text:
        return None
    value = between(text, low, high)
    if value is None:
        raise PlanError(f"{name.replace('_', ' ')} is {low:g} to {high:g}, as measured by hand")
    return value


async def trace(request: Request) -> Response:
    """Take a photo in and start tracing it: a foot, or a stock insole."""
    service, query = service_of(request), request.query_params
    name, folder = _photo_name(query.get("name", "")), _folder(service, request)
    if query.get("sheet", "") not in PAPERS or query.get("load", "") not in LOADS:
        raise PlanError("there is no such paper, or no such weight")
    side = foot_of(query["side"]) if query.get("side") else None
    asked: dict[str, Any] = {
        "paper": query.get("sheet") or None,
        "side": side,
        "load": query.get("load") or None,
        "pen": _number(query.get("pen", ""), "the pen's barrel", *PEN_MM),
        "typed": {
            key: value
            for key, (low, high, _) in RANGES.items()
            if (value := _number(query.get(key, ""), key, low, high)) is not None
        },
    }
    of_insole = query.get("of") == "insole"
    if of_insole and side is None:
        raise PlanError("say which shoe the stock insole is from: left or right")
    if folder.is_dir() and len(list(folder.glob("photo-*"))) >= MOST:
        raise PlanError(f"a set holds {MOST} photos; begin another one")
    place = folder / f"photo-{len(list(folder.glob('photo-*'))) + 1}"
    place.mkdir(parents=True)
    await arrived(request, place / name, name)
    lane = service.free_lane()

    async def work(job: Job) -> dict[str, Any]:
        found: dict[str, Any] = await lane.run(
            "insole_outline" if of_insole else "outline",
            place / name,
            folder,
            asked,
            say=service.say(job),
        )
        return found

    return JSONResponse(service.start(f"tracing {name}", lane, work).shown(), 202)


async def record(request: Request) -> Response:
    """Take a record in that was traced before."""
    service = service_of(request)
    folder, name = _folder(service, request), request.query_params.get("name", "")
    bare = plain_name(name)[-LONGEST:]
    if not bare.endswith(".outline.json"):
        raise InsoleError("a record of an outline ends in .outline.json")
    folder.mkdir(parents=True, exist_ok=True)
    await arrived(request, folder / bare, bare)
    try:
        found = await service.free_lane().run("outline_record", folder / bare)
    except Exception:
        (folder / bare).unlink(missing_ok=True)
        raise
    return JSONResponse(found, 201)


async def fit(request: Request) -> Response:
    """Start ranking the library's shoes for the outlines of a set, with a first trial's page."""
    from insole.shoe import file as shoe_file

    service = service_of(request)
    folder, home = _folder(service, request), service.home

    async def work(job: Job) -> dict[str, Any]:
        good, _ = await asyncio.to_thread(shoe_file.library, home.shoes)
        found: dict[str, Any] = await service.bench.run(
            "outline_fit",
            folder,
            good,
            own(home.folder, "kit"),
            own(home.folder, "limits"),
            say=service.say(job),
        )
        return found

    return JSONResponse(service.start("ranking shoes", service.bench, work).shown(), 202)


async def file(request: Request) -> Response:
    """Send a record, a picture, an outline or the first trial's page of a set."""
    folder, name = _folder(service_of(request), request), request.path_params["name"]
    kinds = {".json": "application/json", ".png": "image/png", ".csv": "text/csv"}
    path = folder / name
    there = {p.name for p in folder.glob("*") if p.is_file() and not p.is_symlink()}
    if name not in there:
        raise InsoleError("there is no such file any more; trace the photo again")
    data = await asyncio.to_thread(path.read_bytes)
    kind = kinds.get(path.suffix, "application/pdf")
    if request.query_params.get("look") and kind in ("image/png", "application/pdf"):
        return Response(data, media_type=kind)
    return download(data, name, kind)


async def rider_page(request: Request) -> Response:
    """Send the page for the rider: how to draw, photograph and measure."""
    from insole import remote

    paper = request.path_params["paper"]
    if paper not in ("a4", "letter"):
        raise PlanError("the rider's page is on A4 or Letter")
    path = service_of(request).home.new_upload().with_suffix(".pdf")
    try:
        await asyncio.to_thread(remote.rider_page, path, paper)
        return download(path.read_bytes(), f"outline-page-{paper}.pdf", "application/pdf")
    finally:
        path.unlink(missing_ok=True)


SET = "/api/outlines/{set}"
ROUTES = [
    Route("/api/outlines/page/{paper}", rider_page, methods=["GET"]),
    Route(f"{SET}/scans", trace, methods=["POST"]),
    Route(f"{SET}/records/scans", record, methods=["POST"]),
    Route(f"{SET}/fit", fit, methods=["POST"]),
    Route(f"{SET}/files/{{name}}", file, methods=["GET"]),
]
