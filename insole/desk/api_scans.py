"""Scans and feet, as the pages ask for them: upload, check, surface, landmarks by hand.

request -> Service (a lane per foot) -> footscan's front door -> JSON, or bytes to draw
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from typing import Any

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from footscan.door import to_scanner
from footscan.errors import FootscanError, SideError
from insole.desk import shown_foot
from insole.desk.api import BASE, arrived, body_of, case_of, changed, foot_of, service_of, side_of
from insole.desk.service import Job, Service
from insole.desk.store import DeskCase, Draft, ScanUse, Side, safe_name
from insole.errors import InsoleError, PlanError

__all__ = ["ROUTES"]

LOADS = ("unknown", "none", "seated", "half", "full")


async def upload(request: Request) -> Response:
    """Take a scan in, and start measuring it; the side is told from the scan."""
    service, case = service_of(request), case_of(request)
    query = request.query_params
    name, load = safe_name(query.get("name", "")), query.get("load", "half")
    side = foot_of(query["side"]) if query.get("side") else None
    if load not in LOADS:
        raise PlanError("there is no such load")
    path = service.home.new_upload()
    try:
        sha = await arrived(request, path, name)
        case.keep_scan(path, sha, name)
    finally:
        path.unlink(missing_ok=True)
    use = ScanUse(
        sha256=sha,
        file=name,
        load=load,
        side_stated=side is not None,
        scanner=query.get("scanner", "")[:80],
        card=query.get("card") == "yes",
    )
    drop = query.get("drop", "")[:40] if side is None else ""
    return JSONResponse(_measure(service, case, use, side, drop).shown(), status_code=202)


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
        await arrived(request, path, name)
    except BaseException:
        shutil.rmtree(path.parent, ignore_errors=True)
        raise

    async def work(job: Job) -> dict[str, Any]:
        try:
            return {"feet": await lane.run("check", [path], {"load": load}, say=service.say(job))}
        finally:
            shutil.rmtree(path.parent, ignore_errors=True)

    return JSONResponse(service.start(f"checking {name}", lane, work).shown(), 202)


def _measure(
    service: Service, case: DeskCase, use: ScanUse, side: Side | None, drop: str = ""
) -> Job:
    """Start measuring a scan; done, it stands for the foot that it shows.

    Where another file of the same drop stands for that foot already, it is set aside: only the
    fitter knows which of the two is right.
    """
    lane = service.free_lane() if side is None else service.lanes[side]

    async def work(job: Job) -> dict[str, Any]:
        stated = service.stated(use, side or "")
        try:
            feet = await lane.run("measure", [case.scan_path(use)], stated, say=service.say(job))
        except FootscanError as error:
            if isinstance(error, SideError) or "left or right cannot be told" in str(error):
                job.result = {"ask_side": True, "file": use.file}
            raise
        before: dict[str, Any] = {}
        twice: dict[str, Any] = {}
        async with service.lock(case.name):
            draft = case.draft()
            for foot in feet:
                name = foot_of(foot.facts.side)
                mine = use.model_copy(update={"side_stated": side is not None})
                service.remember(service.key(mine, name), foot)
                old = draft.scans.get(name)
                if old is not None and old.sha256 == mine.sha256:  # the very scan: marks stay
                    mine = old.model_copy(
                        update={"load": mine.load, "scanner": mine.scanner, "card": mine.card}
                    )
                elif old is not None and not service.first_of_drop(
                    drop, case.name, name, mine.sha256
                ):
                    draft.set_aside(name, mine)
                    twice[name] = {"stands": old.file, "other": mine.model_dump(mode="json")}
                    continue
                elif old is not None:
                    before[name] = {"use": old.model_dump(mode="json"), "file": old.file}
                service.first_of_drop(drop, case.name, name, mine.sha256)
                draft.stand(name, mine)
            case.save(draft)
        sides = [foot.facts.side for foot in feet if foot.facts.side not in twice]
        return {"sides": sides, "before": before, "twice": twice}

    return service.start(f"measuring {use.file}", lane, work)


async def foot(request: Request) -> Response:
    """Send what is known of one foot's scan."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    draft = case.draft()
    _, found = await service.foot(case, side, draft)
    use = draft.scans[side]
    spare = [one.model_dump(mode="json") for one in draft.spare.get(side, [])]
    return JSONResponse(shown_foot.foot_shown(found, use.foot_length, use.felt) | {"spare": spare})


async def mesh(request: Request) -> Response:
    """Send a foot's surface."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    data = await service.with_foot("mesh", case, side, case.draft())
    return Response(data, media_type="application/octet-stream")


async def put_back(request: Request) -> Response:
    """Let a scan of the case stand for a foot again, with what was set by hand on it."""
    case, side, given = case_of(request), side_of(request), await body_of(request)
    try:
        use = ScanUse.model_validate(given.get("use"))
    except ValidationError:
        raise PlanError("the page sent something that is no scan") from None
    if not case.scan_path(use).is_file():
        raise PlanError("that scan is no longer in the case; take it in again")
    await changed(request, lambda draft: draft.stand(side, use))
    return JSONResponse({})


async def drop_scan(request: Request) -> Response:
    """Take a scan out of the work; its file stays in the case."""
    side = side_of(request)

    def change(draft: Draft) -> None:
        if side in draft.scans:
            draft.set_aside(side, draft.scans.pop(side))

    await changed(request, change)
    return JSONResponse({})


async def raw(request: Request) -> Response:
    """Send the scan of a foot as it came, laid where the foot lies."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    draft = case.draft()
    await service.foot(case, side, draft)  # there is a scan of it
    files = [case.scan_path(draft.scans[side])]
    data = await service.with_foot("raw", case, side, draft, files)
    return Response(data, media_type="application/octet-stream")


async def landmark(request: Request) -> Response:
    """Set landmarks by hand, or take them back, and measure anew.

    ``{"name", "at": [x, y, z]}`` on the foot as shown, or ``{"name", "page": [across, up]}`` in
    plan; with neither, the landmark is automatic again, and without a name all are.
    ``"felt": true`` says that it was felt with a finger at that place, or where it is now.
    """
    service, case, side = service_of(request), case_of(request), side_of(request)
    given = await body_of(request)
    draft = case.draft()
    _, measured = await service.foot(case, side, draft)
    name = str(given.get("name") or "")
    at, page, felt = (given.get(key) for key in ("at", "page", "felt"))
    if name and name not in measured.landmarks:
        raise PlanError("there is no such landmark on this foot")
    if not name and not (at is page is felt is None):
        raise PlanError("say which landmark")
    use = draft.scans[side]
    still = at is page is None and felt is not None
    if still and (felt is False or name in use.landmarks):  # nothing moves
        await changed(request, lambda now: _mark_felt(now.scans[side], name, felt is True))
        return JSONResponse({"id": "", "what": "", "state": "done", "words": "", "result": {}}, 202)
    place: tuple[float, float, float] | None = None
    if still:
        x, y, z = to_scanner(measured, measured.landmarks[name].xyz)
        place = (round(float(x), 3), round(float(y), 3), round(float(z), 3))
    elif at is not None:
        place = shown_foot.placed_by_hand(measured, _numbers(at, 3))
    elif page is not None:
        place = shown_foot.placed_on_plan(measured, name, *_numbers(page, 2))

    def change(use: ScanUse) -> None:
        if not name:
            use.landmarks.clear()
            use.felt.clear()
            return
        use.landmarks.pop(name, None)
        if place is not None:
            use.landmarks[name] = place
        _mark_felt(use, name, felt is True)

    return JSONResponse(_anew(service, case, side, change).shown(), 202)


def _mark_felt(use: ScanUse, name: str, felt: bool) -> None:
    use.felt = sorted({*use.felt, name} if felt else {*use.felt} - {name})


def _numbers(given: object, count: int) -> list[float]:
    if not (isinstance(given, list) and len(given) == count and all(_finite(v) for v in given)):
        raise PlanError(f"a place on the foot is {('two', 'three')[count - 2]} numbers")
    return [float(v) for v in given]


async def stated(request: Request) -> Response:
    """Take what is stated of a scan: the weight on the foot, or its length by hand.

    ``{"load": word}``, or ``{"length": mm or null}``, which verifies the scan's scale.
    """
    service, case, side = service_of(request), case_of(request), side_of(request)
    given, draft = await body_of(request), case.draft()
    load, length = given.get("load"), given.get("length")
    if load is not None and load not in LOADS:
        raise PlanError("there is no such load")
    if length is not None and not (_finite(length) and 100 <= length <= 400):
        raise PlanError("a foot length by hand is 100 to 400 mm")
    await service.foot(case, side, draft)  # there is a scan of it

    def change(use: ScanUse) -> None:
        if load is None:
            use.foot_length = length
        else:
            use.load = load

    return JSONResponse(_anew(service, case, side, change).shown(), 202)


def _anew(service: Service, case: DeskCase, side: Side, change: Callable[[ScanUse], None]) -> Job:
    """Start measuring a foot anew with what is stated now; only then it is kept.

    Changes that come while one is measured wait, and are made on top of it.
    """
    lane = service.lanes[side]

    async def work(job: Job) -> dict[str, Any]:
        async with service.lock(f"{case.name} {side}"):
            use = case.draft().scans[side].model_copy(deep=True)
            before = use.sha256
            change(use)
            stated = service.stated(use, side)
            feet = await lane.run("measure", [case.scan_path(use)], stated, say=service.say(job))
            mine = [f for f in feet if f.facts.side == side]
            if not mine:
                raise InsoleError("so measured, the scan shows another foot; take that back")
            async with service.lock(case.name):
                now = case.draft()
                if side not in now.scans or now.scans[side].sha256 != before:
                    raise InsoleError(f"the {side} foot's scan was changed meanwhile; try again")
                now.scans[side] = use
                service.remember(service.key(use, side), mine[0])
                case.save(now)
        return {"sides": [side]}

    return service.start(f"measuring the {side} foot anew", lane, work)


def _finite(value: object) -> bool:
    return isinstance(value, int | float) and abs(value) < 1e4


ROUTES = [
    Route(f"{BASE}/scans", upload, methods=["POST"]),
    Route("/api/check/scans", check, methods=["POST"]),
    Route(f"{BASE}/feet/{{side}}", foot, methods=["GET"]),
    Route(f"{BASE}/feet/{{side}}", drop_scan, methods=["DELETE"]),
    Route(f"{BASE}/feet/{{side}}/scan", put_back, methods=["PUT"]),
    Route(f"{BASE}/feet/{{side}}/mesh", mesh, methods=["GET"]),
    Route(f"{BASE}/feet/{{side}}/raw", raw, methods=["GET"]),
    Route(f"{BASE}/feet/{{side}}/landmarks", landmark, methods=["PUT"]),
    Route(f"{BASE}/feet/{{side}}/stated", stated, methods=["PUT"]),
]
