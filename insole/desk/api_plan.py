"""Shoe, plan, trial and parts, as the pages ask for them.

request -> Service -> JSON, or a made file as it lies in its folder
"""

from __future__ import annotations

import asyncio
import io
import mimetypes
import re
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from insole.desk import how, wishes
from insole.desk.api import BASE, body_of, case_of, changed, download, service_of, side_of
from insole.desk.owned import own
from insole.desk.plan_pages import PlanPages
from insole.desk.service import Job
from insole.desk.store import Draft
from insole.errors import InsoleError, PlanError

__all__ = ["ROUTES"]

ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the same folder gives the same archive


# ------------------------------------------------------------------ shoe


async def choose_shoe(request: Request) -> Response:
    """Choose a shoe of the library, or none."""
    given = await body_of(request)
    file = str(given.get("shoe", ""))
    if file:
        service_of(request).home.shoe(file)

    def change(draft: Draft) -> None:
        draft.shoe = file

    await changed(request, change)
    return JSONResponse({"shoe": file})


async def new_shoe(request: Request) -> Response:
    """Write a shoe file from a few figures."""
    from insole.shoe import file as shoe_file

    given = await body_of(request)
    name = str(given.get("name", "")).strip()
    if not name or len(name) > 80:
        raise PlanError("give the shoe a name of your own: its word and its size")
    known = {figure.key for figure in shoe_file.FIGURES}
    figures: dict[str, object] = {}
    for key, value in dict(given.get("figures", {})).items():
        if key not in known or isinstance(value, bool) or not isinstance(value, int | float):
            raise PlanError("a figure of the shoe is no number")
        figures[key] = value
    if given.get("kept") is True or any(key.startswith("stock_insole.") for key in figures):
        figures["stock_insole.kept"] = given.get("kept") is True
    stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:60] or "shoe"
    home = service_of(request).home
    path = home.shoes / f"{stem}.toml"
    number = 2
    while path.exists():
        path = home.shoes / f"{stem}-{number}.toml"
        number += 1
    try:
        made = await asyncio.to_thread(shoe_file.write_new, path, name, figures)
    except PlanError as error:
        words = str(error).removeprefix(f"{path.name}: ")
        at = next((f for f in shoe_file.FIGURES if words.startswith(f.key)), None)
        if at is None:
            raise
        words = words.replace(at.key, at.question.partition(",")[0].partition(":")[0], 1)
        return JSONResponse({"error": f"{words}.", "field": at.key}, 422)
    return JSONResponse({"file": path.name, "name": made.name, "rough": made.rough}, 201)


async def fit(request: Request) -> Response:
    """Start ranking the library's shoes for the case's feet."""
    service, case = service_of(request), case_of(request)
    draft = case.draft()
    from insole.shoe import file as shoe_file

    async def work(job: Job) -> dict[str, Any]:
        feet = await service.feet(case, draft)
        good, bad = await asyncio.to_thread(shoe_file.library, service.home.shoes)
        ranked = await service.bench.run(
            "fit", feet, good, own(service.home.folder, "limits"), say=service.say(job)
        )
        return {"ranked": ranked, "left_out": [service.plain(row) for row in bad]}

    return JSONResponse(service.start("ranking shoes", service.bench, work).shown(), 202)


# ------------------------------------------------------------------ support


async def keep_wishes(request: Request) -> Response:
    """Keep the wishes as they are being worked on."""
    given = await body_of(request)
    found = wishes.checked(given.get("wishes", {}))

    def change(draft: Draft) -> None:
        draft.wishes = found  # type: ignore[assignment]
        if "confirm_zero" in given:
            draft.confirm_zero = given["confirm_zero"] is True
        if "dowels" in given:
            draft.dowels = given["dowels"] is True
        if "body_mass" in given:
            draft.body_mass = given["body_mass"]
        if "overrides" in given:
            draft.overrides = given["overrides"]

    draft = await changed(request, change)
    return JSONResponse({"wishes": draft.model_dump(mode="json")["wishes"]})


async def preview(request: Request) -> Response:
    """Plan one foot as wished at this moment; nothing is kept."""
    service, case, side = service_of(request), case_of(request), side_of(request)
    given = await body_of(request)
    draft = case.draft()
    if "wishes" in given:
        draft.wishes = wishes.checked(given["wishes"])  # type: ignore[assignment]
    asked = service.preview_asked(case, draft, side)
    return JSONResponse(await service.with_foot("preview", case, side, draft, asked))


async def move(request: Request) -> Response:
    """Return a move of a pad on the page as its wish: mm forward and medial."""
    from insole.desk.shown import moved

    given = await body_of(request)
    try:
        across, up = float(given["across"]), float(given["up"])
        was = given.get("shift") or (0.0, 0.0)
        forward, medial = moved(side_of(request), across, up)
        shift = [round(float(was[0]) + forward, 1), round(float(was[1]) + medial, 1)]
    except (KeyError, TypeError, ValueError, IndexError):
        raise PlanError("a move is two numbers, mm") from None
    return JSONResponse({"shift": shift})


async def keep(request: Request) -> Response:
    """Start planning both feet and keeping the plan under the next number."""
    service, case = service_of(request), case_of(request)
    draft = case.draft()
    job = service.start(
        "keeping the plan", service.bench, lambda job: service.keep_plan(case, draft, job)
    )
    return JSONResponse(job.shown(), 202)


async def kept(request: Request) -> Response:
    """Send a kept plan as it is drawn, with the wishes it was made from."""
    from insole.record.plan import to_json

    service, case = service_of(request), case_of(request)
    plan = case.case.plan(request.path_params["version"])
    feet = await service.bench.run("show", to_json(plan))
    return JSONResponse({"version": plan.version, "wishes": plan.wishes, "feet": feet})


async def record(request: Request) -> Response:
    """Send a kept plan's own record."""
    case, version = case_of(request), request.path_params["version"]
    from insole.record.plan import to_json

    data = to_json(case.case.plan(version)).encode()
    return download(data, f"{case.name}-v{version}-plan.json", "application/json")


async def compared(request: Request) -> Response:
    """Send two kept versions as one picture: the older dashed, the newer solid."""
    from insole.record.plan import to_json

    service, case = service_of(request), case_of(request)
    texts = [to_json(case.case.plan(request.path_params[key])) for key in ("version", "other")]
    data = await service.bench.run("old_and_new", *texts)
    if data is None:
        raise InsoleError("no support differs between these two versions")
    return Response(data, media_type="image/png")


async def read_ahead(request: Request) -> Response:
    """Start planning and drawing what is being worked on, so that keeping it is quick."""
    drawn: PlanPages = request.app.state.plan_pages
    service, case = service_of(request), case_of(request)

    async def work(job: Job) -> dict[str, Any]:
        await drawn.ahead(service, case)
        return {}

    return JSONResponse(service.start("planning ahead", service.bench, work).shown(), 202)


async def draw_page(request: Request) -> Response:
    """Start drawing a kept plan's page on paper, or say how far that is."""
    drawn: PlanPages = request.app.state.plan_pages
    job = drawn.job(service_of(request), case_of(request), request.path_params["version"])
    return JSONResponse(job.shown(), 202)


async def page(request: Request) -> Response:
    """Send a kept plan's page on paper, as its made folder has it or will have it."""
    drawn: PlanPages = request.app.state.plan_pages
    case, version = case_of(request), request.path_params["version"]
    data = await drawn.of(service_of(request), case, version)
    name = f'inline; filename="plan-{case.name}-v{version}.pdf"'
    return Response(data, media_type="application/pdf", headers={"content-disposition": name})


# ------------------------------------------------------------------ trial


async def trial(request: Request) -> Response:
    """Log what the rider felt, and send the step that follows as old against new."""
    from pydantic import ValidationError

    from insole.trials.entry import Said
    from insole.workflow import riding

    service, case = service_of(request), case_of(request)
    given = await body_of(request)
    try:
        said = Said(**{k: v for k, v in given.items() if k != "plan"})
    except (ValidationError, TypeError):
        raise PlanError("say the day of the ride, and how it was: better, same or worse") from None
    version = given.get("plan")
    if not isinstance(version, int) or isinstance(version, bool):
        raise PlanError("say which version was ridden")
    plan = case.case.plan(version)
    async with service.lock(case.name):
        found = await asyncio.to_thread(riding.log_trial, plan, said, case.folder, date.today())
    return JSONResponse(
        {
            "number": found.number,
            "stopped": bool(found.stopped),
            "health": found.health,
            "words": [service.plain(w) for w in found.words],
            "step": None if found.step is None else found.step.model_dump(mode="json"),
        }
    )


async def take_step(request: Request) -> Response:
    """Put a trial's step into the work: its wishes over those of the plan that was ridden."""
    case = case_of(request)
    number = request.path_params["number"]
    trials = {t.number: t for t in case.case.trials()}
    if number not in trials or trials[number].step is None:
        raise InsoleError("that trial proposes no step")
    step, ridden = trials[number].step, case.case.plan(trials[number].plan)
    assert step is not None
    table = {side: dict(ridden.wishes.get(side, {})) for side in ("both", "left", "right")}
    for side, new in step.wishes.items():
        table[side] |= new
    found = wishes.checked(table)

    def change(draft: Draft) -> None:
        draft.wishes = found  # type: ignore[assignment]

    await changed(request, change)
    return JSONResponse({"wishes": found})


# ------------------------------------------------------------------ parts


async def make(request: Request) -> Response:
    """Start making a kept plan's parts; the thick edges must have been read."""
    service, case = service_of(request), case_of(request)
    version = request.path_params["version"]
    given = await body_of(request)
    from insole.workflow import making

    if making.thick_edges(case.case.plan(version)) and given.get("edges_read") is not True:
        raise InsoleError("read the thick edges and tick that they are on the right side")
    shop = service.home.workshop()
    usual = {"layers": shop.layers, "step": shop.step}
    asked = how.checked(given.get("how", usual))
    if "how" in given and shop.made(asked) != shop:
        service.home.save_workshop(shop.made(asked))
    job = service.start(
        "making the parts", service.bench, lambda job: service.make(case, version, job, asked)
    )
    return JSONResponse(job.shown(), 202)


def _folder(request: Request) -> Path:
    """Return the made folder of a plan version.

    Raises
    ------
    insole.errors.InsoleError
        It was not made yet.
    """
    found = service_of(request).made_folder(case_of(request), request.path_params["version"])
    if found is None:
        raise InsoleError("these parts were not made yet; make them on the parts page")
    return found


def listed(folder: Path) -> list[tuple[str, int]]:
    """Return the files of a made folder with their sizes in bytes."""
    found = sorted(p for p in folder.rglob("*") if p.is_file() and not p.is_symlink())
    return [(p.relative_to(folder).as_posix(), p.stat().st_size) for p in found]


async def file(request: Request) -> Response:
    """Send one made file, as it is."""
    folder, wanted = _folder(request), request.path_params["path"]
    if wanted not in {name for name, _ in listed(folder)}:  # only what is there, by its full name
        return JSONResponse({"error": "There is no such file in this folder"}, 404)
    path = folder / wanted
    kind = mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    data = await asyncio.to_thread(path.read_bytes)
    if request.query_params.get("look") and kind in ("image/png", "application/pdf"):
        return Response(data, media_type=kind)
    return download(data, path.name, kind)


async def archive(request: Request) -> Response:
    """Send a made folder as one archive."""
    folder = _folder(request)

    def packed() -> bytes:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packing:
            for name, _ in listed(folder):
                entry = zipfile.ZipInfo(f"{folder.name}/{name}", date_time=ZIP_DATE)
                entry.compress_type = zipfile.ZIP_DEFLATED
                packing.writestr(entry, (folder / name).read_bytes())
        return buffer.getvalue()

    data = await asyncio.to_thread(packed)
    return download(data, f"{folder.name}.zip", "application/zip")


PLAN = f"{BASE}/plans/{{version:int}}"
ROUTES = [
    Route(f"{BASE}/shoe", choose_shoe, methods=["PUT"]),
    Route("/api/shoes", new_shoe, methods=["POST"]),
    Route(f"{BASE}/fit", fit, methods=["POST"]),
    Route(f"{BASE}/wishes", keep_wishes, methods=["PUT"]),
    Route(f"{BASE}/feet/{{side}}/preview", preview, methods=["POST"]),
    Route(f"{BASE}/feet/{{side}}/move", move, methods=["POST"]),
    Route(f"{BASE}/ahead", read_ahead, methods=["POST"]),
    Route(f"{BASE}/plans", keep, methods=["POST"]),
    Route(PLAN, kept, methods=["GET"]),
    Route(f"{PLAN}/against/{{other:int}}", compared, methods=["GET"]),
    Route(f"{PLAN}/record", record, methods=["GET"]),
    Route(f"{PLAN}/page", draw_page, methods=["POST"]),
    Route(f"{PLAN}/page", page, methods=["GET"]),
    Route(f"{BASE}/trials", trial, methods=["POST"]),
    Route(f"{BASE}/trials/{{number:int}}/step", take_step, methods=["POST"]),
    Route(f"{PLAN}/make", make, methods=["POST"]),
    Route(f"{PLAN}/archive", archive, methods=["GET"]),
    Route(f"{PLAN}/files/{{path:path}}", file, methods=["GET"]),
]
