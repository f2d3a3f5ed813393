"""The steps of a fitting, and how far a case is along them.

STEPS, shown(service, case, draft, here) -> a line a step
GET /api/cases/<case>/rail?here=<step> -> the same for a page that is open
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from insole.desk import api
from insole.desk.service import SIDES, Service
from insole.desk.store import DeskCase, Draft

__all__ = ["ROUTES", "STEPS", "Step", "shown"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its word in the address, its name, what it is for.

    What is `beside` the way is done without anybody: "Next" passes it by.
    """

    word: str
    name: str
    help: str
    beside: bool = False


STEPS = (
    Step("questions", "Questions", "Read them to the rider. A stop comes before any work."),
    Step("scans", "Scans", "Drop the scans. The desk tells left from right, and good from bad."),
    Step(
        "landmarks",
        "Landmarks",
        "Nothing must be done here. A mark that you feel elsewhere can be dragged there.",
        beside=True,
    ),
    Step("shoe", "Shoe", "Write the shoe that the parts are for, or choose it."),
    Step(
        "support",
        "Support",
        "This is the model's proposal. Keep it, or change it first.",
    ),
    Step("parts", "Parts", "Print the plan. Make its parts, and take the files to the bench."),
    Step("trial", "Trial", "After the ride: what was felt, and the one step that follows."),
)


def shown(service: Service, case: DeskCase, draft: Draft, here: str) -> list[dict[str, Any]]:
    """Return the steps with how far each is: ``"open"``, ``"done"`` or ``"stop"``."""
    stand = api.stop_shown(service, draft)
    versions = case.case.versions()
    trials = len(list((case.folder / "trials").glob("trial-*.json")))
    made = sorted(
        int(number)
        for folder in case.made.glob("*/manifest.json")
        if (number := folder.parent.name.rpartition("-v")[2]).isdigit()
    )
    marks = {
        "questions": ("stop", "stop")
        if stand["stop"]
        else (("done", "asked") if not stand["open"] else ("open", f"{stand['open']} open")),
        "scans": (
            "done" if draft.scans else "open",
            " + ".join(s for s in SIDES if s in draft.scans) or "none yet",
        ),
        "landmarks": (
            "done" if draft.scans else "open",
            "by hand"
            if any(u.landmarks for u in draft.scans.values())
            else ("found" if draft.scans else ""),
        ),
        "shoe": ("done", "chosen") if draft.shoe else ("open", "none: flat bed"),
        "support": ("done", f"version {versions[-1]}") if versions else ("open", "not kept yet"),
        "trial": ("done", f"{trials} logged") if trials else ("open", ""),
        "parts": _made(made, versions[-1] if versions else 0),
    }
    return [
        {
            "word": s.word,
            "name": s.name,
            "here": s.word == here,
            "state": marks[s.word][0],
            "says": marks[s.word][1],
        }
        for s in STEPS
    ]


def _made(made: list[int], latest: int) -> tuple[str, str]:
    """Return how far the parts are: of the latest version, or only of an earlier one."""
    if not made:
        return "open", ""
    if made[-1] == latest:
        return "done", f"version {latest} made"
    return "open", f"version {latest} not made"


async def rail(request: Request) -> Response:
    """Send how far a case is."""
    case = api.case_of(request)
    rows = await asyncio.to_thread(shown, api.service_of(request), case, case.draft(), "")
    return JSONResponse(rows)


ROUTES = [Route(f"{api.BASE}/rail", rail, methods=["GET"])]
