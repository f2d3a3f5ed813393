"""What the pages ask for while they are open: JSON in, JSON out, one short function a question.

request -> Desk (case, draft) -> Service -> JSON
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from footscan.errors import FootscanError
from insole.desk import archive
from insole.desk.service import SIDES, Service
from insole.desk.store import DeskCase, Draft, Side
from insole.errors import PlanError
from insole.record import questions

__all__ = [
    "BASE",
    "ROUTES",
    "arrived",
    "between",
    "body_of",
    "case_of",
    "changed",
    "download",
    "foot_of",
    "service_of",
    "side_of",
    "stop_shown",
    "where",
]


def between(text: str, low: float, high: float) -> float | None:
    """Return a figure typed into a field, None where it is none or lies outside its range."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if low <= value <= high else None


def service_of(request: Request) -> Service:
    """Return the desk's service."""
    found: Service = request.app.state.service
    return found


async def body_of(request: Request) -> dict[str, Any]:
    """Return the JSON object of a request.

    Raises
    ------
    insole.errors.PlanError
        It is no JSON object.
    """
    try:
        found = json.loads(await request.body() or b"{}")
    except (ValueError, RecursionError):
        raise PlanError("the page sent something that is no JSON") from None
    if not isinstance(found, dict):
        raise PlanError("the page sent something else than an object")
    return found


def case_of(request: Request) -> DeskCase:
    """Return the case that a request is about."""
    return service_of(request).home.case(request.path_params["case"])


def side_of(request: Request) -> Side:
    """Return the foot that a request is about."""
    return foot_of(request.path_params["side"])


def foot_of(word: str) -> Side:
    """Return a foot by its word."""
    for side in SIDES:
        if word == side:
            return side
    raise PlanError("a foot is left or right")


async def changed(request: Request, change: Callable[[Draft], None]) -> Draft:
    """Change what is being worked on and keep it; one change at a time.

    Raises
    ------
    insole.errors.PlanError
        A value is out of its range.
    """
    case = case_of(request)
    async with service_of(request).lock(case.name):
        draft = case.draft()
        change(draft)
        try:
            checked = Draft.model_validate(draft.model_dump(mode="json", warnings=False))
        except ValidationError as error:
            raise PlanError(where(error)) from None
        case.save(checked)
    return checked


def where(error: ValidationError) -> str:
    """Return the first thing that is wrong with a record."""
    first = error.errors()[0]
    return f"{' '.join(str(p) for p in first['loc']).replace('_', ' ')}: {first['msg'].lower()}"


# ------------------------------------------------------------------ riders


async def new_case(request: Request) -> Response:
    """Open a case under a pseudonym."""
    given = await body_of(request)
    name = str(given.get("name", "")).strip().replace(" ", "-")
    case = service_of(request).home.create(name, opened=str(given.get("opened", ""))[:10])
    return JSONResponse({"case": case.name}, status_code=201)


async def erase(request: Request) -> Response:
    """Erase a case for good, when its name is repeated."""
    given = await body_of(request)
    case = case_of(request)
    async with service_of(request).lock(case.name):
        service_of(request).home.erase(case.name, str(given.get("confirm", "")))
        service_of(request).forget()
        request.app.state.plan_pages.forget()
    return JSONResponse({"erased": case.name})


async def export(request: Request) -> Response:
    """Send a whole case as one archive."""
    case = case_of(request)
    path = service_of(request).home.new_upload().with_suffix(".zip")
    await asyncio.to_thread(case.case.export, path)
    try:
        return download(path.read_bytes(), f"{case.name}.zip", "application/zip")
    finally:
        path.unlink()


async def arrived(request: Request, path: Path, name: str) -> str:
    """Take an upload's bytes in and return their hash.

    Raises
    ------
    insole.errors.PlanError
        Nothing came.
    """
    digest = hashlib.sha256()
    with path.open("wb") as file:
        async for chunk in request.stream():
            digest.update(chunk)
            await asyncio.to_thread(file.write, chunk)
    if not path.stat().st_size:
        raise PlanError(f"{name} is empty; export it again")
    return digest.hexdigest()


def download(data: bytes, name: str, kind: str) -> Response:
    """Return bytes as a file to keep."""
    return Response(
        data, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'}
    )


async def take_in(request: Request) -> Response:
    """Take a case in from an archive."""
    service = service_of(request)
    path = service.home.new_upload()
    try:
        with path.open("wb") as file:
            async for chunk in request.stream():
                await asyncio.to_thread(file.write, chunk)
        case = await asyncio.to_thread(archive.take_in, service.home, path)
    finally:
        path.unlink(missing_ok=True)
    return JSONResponse({"case": case.name}, 201)


async def answers(request: Request) -> Response:
    """Keep answers to the questions before parts, and say whether they stop."""
    given = await body_of(request)
    known = {q.id for q in questions.QUESTIONS}

    def change(draft: Draft) -> None:
        before = questions.stops_in(draft.answers)
        for name, answer in dict(given.get("answers", {})).items():
            if name not in known or answer not in ("yes", "no", None):
                raise PlanError("there is no such question or answer")
            draft.answers.pop(name, None)
            if answer is not None:
                draft.answers[name] = answer
        if set(questions.stops_in(draft.answers)) - set(before):
            draft.clinician = ""  # what was agreed to before was not this
        if "clinician" in given:
            word = questions.dated(str(given["clinician"]))
            questions.refuse_ahead(word, date.today(), "the clinician's word")
            draft.clinician = str(given["clinician"]).strip()[:200]

    draft = await changed(request, change)
    return JSONResponse(stop_shown(service_of(request), draft))


def stop_shown(service: Service, draft: Draft) -> dict[str, Any]:
    """Return how the answers stand: a stop in words, notes, how many are open."""
    stop, notes = "", []
    try:
        _, found = questions.decide(draft.answers, draft.clinician)
        notes = [service.plain(n.text) for n in found if n.code != "not-asked"]
    except FootscanError as error:
        stop = service.plain(str(error))
    return {"stop": stop, "notes": notes, "open": len(questions.QUESTIONS) - len(draft.answers)}


async def job(request: Request) -> Response:
    """Send how far a job is; or cancel it."""
    found = service_of(request).jobs.get(request.path_params["job"])
    if found is None:
        return JSONResponse({"error": "That work is not known any more; start it again"}, 404)
    if request.method == "DELETE" and found.state == "running":
        found.ticket.cancel()
    return JSONResponse(found.shown())


BASE = "/api/cases/{case}"
ROUTES = [
    Route("/api/cases", new_case, methods=["POST"]),
    Route("/api/import", take_in, methods=["POST"]),
    Route(BASE, erase, methods=["DELETE"]),
    Route(f"{BASE}/export", export, methods=["GET"]),
    Route(f"{BASE}/answers", answers, methods=["PUT"]),
    Route("/api/jobs/{job}", job, methods=["GET", "DELETE"]),
]
