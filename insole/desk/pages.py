"""The pages, one a step of a fitting, written on the server; scripts only fill in what moves.

GET /, /workshop, /case/<case>/<step> -> a template of ``templates/`` with the case's state
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jinja2
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from footscan.checking import log_file
from footscan.errors import FootscanError
from insole import __version__
from insole.desk import api, api_plan, api_shop, how, owned, queue
from insole.desk import rail as rails
from insole.desk.rail import STEPS
from insole.desk.service import SIDES
from insole.desk.store import DeskCase, Workshop
from insole.errors import InsoleError
from insole.record import questions

__all__ = ["ROUTES", "problem"]

HOT = "A hot spot"
# the needed figures of a shoe as a row of fields; the command line asks the whole question
SHORT = {
    "inside.length": ("Inside length", "heel to toe end"),
    "inside.ball_width": ("Width at the ball", "widest, across the bed"),
    "bed.drop": ("Drop", "heel of bed above ball"),
}
LISTED = 100  # riders at once; the others are found by name

PAGES = jinja2.Environment(
    loader=jinja2.FileSystemLoader(Path(__file__).with_name("templates")),
    autoescape=True,
    trim_blocks=True,
    lstrip_blocks=True,
    undefined=jinja2.StrictUndefined,
)


def _page(request: Request, template: str, status: int = 200, **given: Any) -> Response:
    text = PAGES.get_template(template).render(
        cautions=questions.CAUTIONS,
        short=questions.SHORT_CAUTION,
        program=__version__,
        steps=STEPS,
        **({"case": None, "rail": (), "step": None, "data": None} | given),
    )
    return HTMLResponse(text, status)


def problem(request: Request, words: str, status: int) -> Response:
    """Return the page that says what went wrong and where to go on."""
    return _page(request, "problem.html", status, words=words, title="Problem")


async def riders(request: Request) -> Response:
    """Show the riders, and open a new case."""
    service = api.service_of(request)
    running = [j.shown() for j in service.jobs.values() if j.state == "running"]
    wanted = request.query_params.get("find", "").strip()[:80]
    every = service.home.rows()
    rows = [row for row in every if wanted.lower() in row.name.lower()]
    rows.sort(key=lambda row: row.stamp, reverse=True)  # what was worked on last stands first
    return _page(
        request,
        "riders.html",
        title="Riders",
        rows=rows[:LISTED],
        found=len(rows),
        every=len(every),
        wanted=wanted,
        busy=[j for j in running if "sample" in j["what"]],
    )


async def enter(request: Request) -> Response:
    """Go to the first step that is open."""
    service = api.service_of(request)
    case = service.home.case(request.path_params["case"])
    draft = case.draft()
    rail = rails.shown(service, case, draft, "")
    stops = {"questions", "scans", "shoe", "support", "parts"}
    first = next((r["word"] for r in rail if r["state"] != "done" and r["word"] in stops), "trial")
    return RedirectResponse(f"/case/{case.name}/{first}", 303)


async def step(request: Request) -> Response:
    """Show one step of a case."""
    service = api.service_of(request)
    case = service.home.case(request.path_params["case"])
    here = next((s for s in STEPS if s.word == request.path_params["step"]), None)
    if here is None:
        return problem(request, "There is no such step.", 404)
    draft = case.draft()
    stand = api.stop_shown(service, draft)
    place = STEPS.index(here)
    rail = rails.shown(service, case, draft, here.word)
    given: dict[str, Any] = {
        "title": f"{here.name} · {case.name}",
        "case": case,
        "draft": draft,
        "step": here,
        "rail": rail,
        # support: kept first; parts: its files first
        "ready": rail[place]["state"] == "done" and here.word not in ("support", "parts"),
        "stand": stand,
        "sides": SIDES,
        "before": STEPS[place - 1] if place else None,
        "after": next((s for s in STEPS[place + 1 :] if not s.beside), None),
        "beside": next((s for s in STEPS[place + 1 : place + 2] if s.beside), None),
        "versions": case.case.versions(),
        "data": {
            "case": case.name,
            "step": here.word,
            "draft": draft.model_dump(mode="json"),
            "versions": case.case.versions(),
            "stop": stand["stop"],
            "ahead": service.ahead,
        },
    }
    more = {
        "questions": _questions,
        "scans": _scanners,
        "shoe": _shoes,
        "support": _support,
        "trial": _trials,
        "parts": _parts,
    }
    given |= more.get(here.word, lambda *_: {})(request, case)
    return _page(request, f"{here.word}.html", **given)


def _questions(request: Request, case: DeskCase) -> dict[str, Any]:
    return {"questions": questions.QUESTIONS}


def _scanners(request: Request, case: DeskCase) -> dict[str, Any]:
    path = api.service_of(request).home.scanner_log
    try:
        names = sorted({e.scanner for e in log_file.read(path)}) if path.exists() else []
    except FootscanError:  # a damaged log is said on its own page, and holds no fitting up
        names = []
    return {"scanners": names}


def _shoes(request: Request, case: DeskCase) -> dict[str, Any]:
    from insole.shoe import file as shoe_file
    from insole.shoe import shoe

    found = []
    for path in sorted(api.service_of(request).home.shoes.glob("*.toml")):
        try:
            one = shoe.load(path)
        except InsoleError:
            continue
        found.append(
            {
                "file": path.name,
                "name": one.name,
                "length": one.inside_length,
                "ball": one.ball_width,
                "drop": one.drop,
                "rough": one.rough,
            }
        )
    return {"shoes": found, "figures": shoe_file.FIGURES, "fields": SHORT}


def _support(request: Request, case: DeskCase) -> dict[str, Any]:
    api.service_of(request).warm()
    number = request.query_params.get("step", "")
    taken = [t for t in case.case.trials() if str(t.number) == number and t.step is not None]
    table = owned.materials(api.service_of(request).home.folder)
    beds = [m for m in table.values() if "contour" in m.places]
    return {"taken": taken[0] if taken else None, "bed_materials": beds}


def _trials(request: Request, case: DeskCase) -> dict[str, Any]:
    from insole.trials.picks import PICKS, picked
    from insole.trials.red_flags import FLAGS

    groups = {"pad": "Pad", "shoe": "Shoe", "cleat": "Pedal and cleat", "wedge": "Weight and tilt"}
    picks: dict[str, list[tuple[str, str, str]]] = {name: [] for name in (*groups.values(), HOT)}
    for pick in PICKS:
        spot = pick.startswith("hot spot ")
        word = f"at the {pick.removeprefix('hot spot ')}" if spot else pick
        group = HOT if spot else groups[picked(pick).thing]
        picks[group].append((pick, word, picked(pick).text))
    return {"flags": FLAGS, "picks": picks, "trials": case.case.trials()}


def _parts(request: Request, case: DeskCase) -> dict[str, Any]:
    from insole.workflow import making

    service = api.service_of(request)
    versions = case.case.versions()
    wanted = request.query_params.get("version", "")
    version = (
        int(wanted)
        if wanted.isdigit() and int(wanted) in versions
        else (versions[-1] if versions else 0)
    )
    if not version:
        return {"plan": None, "version": 0}
    plan = case.case.plan(version)
    folder = service.made_folder(case, version)
    rooms: dict[str, list[tuple[str, str, int]]] = {}
    for name, size in api_plan.listed(folder) if folder else ():
        room, _, rest = name.rpartition("/")
        rooms.setdefault(room or ".", []).append((name, rest, size))
    shop = service.home.workshop()
    asked = shop.making()
    return {
        "plan": plan,
        "version": version,
        "rooms": rooms,
        "groups": queue.of_folder(service.home, folder) if folder else [],
        "owned": shop,
        "how": how.fields_shown(owned.materials(service.home.folder), asked),
        "asked": how.words({name: value for name, value in asked.items() if value}),
        "edges": making.thick_edges(plan),
    }


async def workshop(request: Request) -> Response:
    """Show what the workshop owns."""
    home, damaged = api.service_of(request).home, ""
    try:
        known = home.workshop()
    except InsoleError as error:  # it says that the sizes are set anew here
        known, damaged = Workshop(), str(error)
    return _page(
        request,
        "workshop.html",
        title="Workshop",
        owned=known,
        damaged=damaged,
        own=owned.own_shown(home.folder),
    )


async def check(request: Request) -> Response:
    """Show a technician's table of many scans."""
    return _page(request, "check.html", title="Check scans")


async def outlines(request: Request) -> Response:
    """Show where photographed outlines are traced."""
    return _page(request, "outlines.html", title="Outlines")


async def scanners(request: Request) -> Response:
    """Show the log of scanner checks, and take a new one."""
    shown = api_shop.scanners_shown(request)
    return _page(request, "scanners.html", title="Scanners", data=shown, log=shown)


async def bench(request: Request) -> Response:
    """Show the queue: what is to print and to cut, by material."""
    home = api.service_of(request).home
    groups, made = queue.grouped(home)
    return _page(request, "bench.html", title="Bench", groups=groups, made=made)


ROUTES = [
    Route("/check", check, methods=["GET"]),
    Route("/outlines", outlines, methods=["GET"]),
    Route("/scanners", scanners, methods=["GET"]),
    Route("/bench", bench, methods=["GET"]),
    Route("/", riders, methods=["GET"]),
    Route("/workshop", workshop, methods=["GET"]),
    Route("/case/{case}", enter, methods=["GET"]),
    Route("/case/{case}/{step}", step, methods=["GET"]),
]
