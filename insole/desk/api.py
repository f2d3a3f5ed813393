"""What the pages ask for while they are open: JSON in, JSON out, one short function a question.

request -> Desk (case, draft) -> Service -> JSON
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from footscan.errors import FootscanError, SideError
from insole.desk import archive, shown
from insole.desk.service import SIDES, Job, Service
from insole.desk.store import DeskCase, Draft, ScanUse, Side, Workshop, safe_name
from insole.errors import InsoleError, PlanError
from insole.record import questions

__all__ = [
    "BASE", "ROUTES", "body_of", "case_of", "changed", "download", "service_of", "side_of",
    "stop_shown",
]  # fmt: skip

LOADS = ("unknown", "none", "seated", "half", "full")


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
    return _foot_of(request.path_params["side"])


def _foot_of(word: str) -> Side:
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
            raise PlanError(_where(error)) from None
        case.save(checked)
    return checked


def _where(error: ValidationError) -> str:
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


def download(data: bytes, name: str, kind: str) -> Response:
    """Return bytes as a file to keep."""
    return Response(data, media_type=kind, headers={
        "content-disposition": f'attachment; filename="{name}"'})  # fmt: skip


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
        for name, answer in dict(given.get("answers", {})).items():
            if name not in known or answer not in ("yes", "no", None):
                raise PlanError("there is no such question or answer")
            draft.answers.pop(name, None)
            if answer is not None:
                draft.answers[name] = answer
        if "clinician" in given:
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


# ------------------------------------------------------------------ scans


async def upload(request: Request) -> Response:
    """Take a scan in, and start measuring it; the side is told from the scan."""
    service, case = service_of(request), case_of(request)
    query = request.query_params
    name, load = safe_name(query.get("name", "")), query.get("load", "half")
    side = _foot_of(query["side"]) if query.get("side") else None
    if load not in LOADS:
        raise PlanError("there is no such load")
    path = service.home.new_upload()
    try:
        sha = await _arrived(request, path, name)
        case.keep_scan(path, sha, name)
    finally:
        path.unlink(missing_ok=True)
    use = ScanUse(sha256=sha, file=name, load=load, side_stated=side is not None)
    return JSONResponse(_measure(service, case, use, side).shown(), status_code=202)


async def _arrived(request: Request, path: Path, name: str) -> str:
    """Take a scan's bytes in and return their hash."""
    digest = hashlib.sha256()
    with path.open("wb") as file:
        async for chunk in request.stream():
            digest.update(chunk)
            await asyncio.to_thread(file.write, chunk)
    if not path.stat().st_size:
        raise PlanError(f"{name} is empty; export the scan again")
    return digest.hexdigest()


async def check(request: Request) -> Response:
    """Check one scan of no case: verdict, findings, the sole as seen; its file does not stay."""
    service, query = service_of(request), request.query_params
    name, load = safe_name(query.get("name", "")), query.get("load", "half")
    if load not in LOADS:
        raise PlanError("there is no such load")
    path = service.home.new_upload() / name
    path.parent.mkdir(parents=True)
    lane = service.free_lane()
    try:
        await _arrived(request, path, name)
    except BaseException:
        shutil.rmtree(path.parent, ignore_errors=True)
        raise

    async def work(job: Job) -> dict[str, Any]:
        try:
            return {"feet": await lane.run("check", [path], {"load": load}, say=service.say(job))}
        finally:
            shutil.rmtree(path.parent, ignore_errors=True)

    return JSONResponse(service.start(f"checking {name}", lane, work).shown(), 202)


def _measure(service: Service, case: DeskCase, use: ScanUse, side: Side | None) -> Job:
    """Start measuring a scan; done, it stands for the foot that it shows."""
    lane = service.free_lane() if side is None else service.lanes[side]

    async def work(job: Job) -> dict[str, Any]:
        stated = service.stated(use, side or "")
        try:
            feet = await lane.run("measure", [case.scan_path(use)], stated, say=service.say(job))
        except FootscanError as error:
            if isinstance(error, SideError) or "left or right cannot be told" in str(error):
                job.result = {"ask_side": True, "file": use.file}
            raise
        async with service.lock(case.name):
            draft = case.draft()
            for foot in feet:
                mine = use.model_copy(update={"side_stated": side is not None})
                draft.scans[_foot_of(foot.facts.side)] = mine
                service.remember(service.key(mine, foot.facts.side), foot)
            case.save(draft)
        return {"sides": [foot.facts.side for foot in feet]}

    return service.start(f"measuring {use.file}", lane, work)


async def foot(request: Request) -> Response:
    """Send what is known of one foot's scan."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    draft = case.draft()
    _, found = await service.foot(case, side, draft)
    return JSONResponse(shown.foot_shown(found, draft.scans[side].foot_length))


async def mesh(request: Request) -> Response:
    """Send a foot's surface."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    data = await service.with_foot("mesh", case, side, case.draft())
    return Response(data, media_type="application/octet-stream")


async def drop_scan(request: Request) -> Response:
    """Take a scan out of the work; its file stays in the case."""
    side = side_of(request)
    await changed(
        request, lambda draft: draft.scans.__delitem__(side) if side in draft.scans else None
    )
    return JSONResponse({})


async def landmark(request: Request) -> Response:
    """Set a landmark by hand on the foot as shown, or take it back, and measure anew."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    given = await body_of(request)
    draft = case.draft()
    _, measured = await service.foot(case, side, draft)
    name, at = given.get("name"), given.get("at")
    if name is not None and name not in measured.landmarks:
        raise PlanError("there is no such landmark on this foot")

    use = draft.scans[side].model_copy(deep=True)
    if name is None:
        use.landmarks.clear()
    elif at is None:
        use.landmarks.pop(name, None)
    else:
        if not (isinstance(at, list) and len(at) == 3 and all(_finite(v) for v in at)):
            raise PlanError("a place on the foot is three numbers")
        use.landmarks[name] = shown.placed_by_hand(measured, at)

    return JSONResponse(_anew(service, case, side, use).shown(), 202)


async def stated_length(request: Request) -> Response:
    """Take a foot length measured by hand, mm, or none: it verifies the scan's scale."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    given, draft = await body_of(request), case.draft()
    length = given.get("length")
    if length is not None and not (_finite(length) and 100 <= length <= 400):
        raise PlanError("a foot length by hand is 100 to 400 mm")
    await service.foot(case, side, draft)  # there is a scan of it
    use = draft.scans[side].model_copy(update={"foot_length": length})
    return JSONResponse(_anew(service, case, side, use).shown(), 202)


def _anew(service: Service, case: DeskCase, side: Side, use: ScanUse) -> Job:
    """Start measuring a foot anew with what is stated now; only then it is kept."""
    lane = service.lanes[side]

    async def work(job: Job) -> dict[str, Any]:
        stated = service.stated(use, side)
        feet = await lane.run("measure", [case.scan_path(use)], stated, say=service.say(job))
        mine = [f for f in feet if f.facts.side == side]
        if not mine:
            raise InsoleError("so measured, the scan shows another foot; take that back")
        async with service.lock(case.name):
            now = case.draft()
            now.scans[side] = use
            service.remember(service.key(use, side), mine[0])
            case.save(now)
        return {"sides": [side]}

    return service.start(f"measuring the {side} foot anew", lane, work)


def _finite(value: object) -> bool:
    return isinstance(value, int | float) and abs(value) < 1e4


async def job(request: Request) -> Response:
    """Send how far a job is; or cancel it."""
    found = service_of(request).jobs.get(request.path_params["job"])
    if found is None:
        return JSONResponse({"error": "That work is not known any more; start it again"}, 404)
    if request.method == "DELETE" and found.state == "running":
        found.ticket.cancel()
    return JSONResponse(found.shown())


async def workshop(request: Request) -> Response:
    """Keep what the workshop owns."""
    given = await body_of(request)
    try:
        owned = Workshop.model_validate(given)
    except ValidationError as error:
        raise PlanError(_where(error)) from None
    for size in (*owned.bed, *owned.sheet):
        if not 40 <= size <= 2000:
            raise PlanError("beds and sheets are 40 to 2000 mm each way")
    service_of(request).home.save_workshop(owned)
    return JSONResponse(owned.model_dump(mode="json"))


BASE = "/api/cases/{case}"
ROUTES = [
    Route("/api/cases", new_case, methods=["POST"]),
    Route("/api/import", take_in, methods=["POST"]),
    Route(BASE, erase, methods=["DELETE"]),
    Route(f"{BASE}/export", export, methods=["GET"]),
    Route(f"{BASE}/answers", answers, methods=["PUT"]),
    Route(f"{BASE}/scans", upload, methods=["POST"]),
    Route("/api/check/scans", check, methods=["POST"]),
    Route(f"{BASE}/feet/{{side}}", foot, methods=["GET"]),
    Route(f"{BASE}/feet/{{side}}", drop_scan, methods=["DELETE"]),
    Route(f"{BASE}/feet/{{side}}/mesh", mesh, methods=["GET"]),
    Route(f"{BASE}/feet/{{side}}/landmarks", landmark, methods=["PUT"]),
    Route(f"{BASE}/feet/{{side}}/length", stated_length, methods=["PUT"]),
    Route("/api/jobs/{job}", job, methods=["GET", "DELETE"]),
    Route("/api/workshop", workshop, methods=["PUT"]),
]
