"""The desk as a web application: pages, what they ask for, and what stands before both.

create(home, rules) -> Guard(Starlette(pages, api)) -> uvicorn, or a test's client
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from footscan.errors import FootscanError
from insole.desk import api, api_outlines, api_plan, api_scans, api_shop, pages, rail, sample
from insole.desk.guard import Guard, Rules, TooLarge
from insole.desk.plan_pages import PlanPages
from insole.desk.service import Service
from insole.desk.store import Home

__all__ = ["create"]

STATIC = Path(__file__).with_name("static")


def create(
    home: Path, rules: Rules | None = None, *, with_sample: bool = True, ahead: bool = True
) -> Guard:
    """Return the desk over a store's folder, which is made when it is not there.

    Parameters
    ----------
    home : Path
        The store.
    rules : Rules, optional
        Hosts, token and sizes.
    with_sample : bool
        Whether an empty store gets the case of a made-up rider to play with.
    ahead : bool
        Whether the next plan is drawn while the fitter still looks at it.
    """
    service = Service(Home(home))
    service.ahead = ahead

    @contextlib.asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        service.home.sweep()
        for worker in (*service.lanes.values(), service.bench):
            await asyncio.to_thread(worker.start)
        if with_sample and service.home.fresh:
            sample.begin(service)
        try:
            yield
        finally:
            service.close()

    app = Starlette(
        routes=[
            *pages.ROUTES,
            *api.ROUTES,
            *rail.ROUTES,
            *api_scans.ROUTES,
            *api_plan.ROUTES,
            *api_outlines.ROUTES,
            *api_shop.ROUTES,
            Route("/favicon.ico", _mark, methods=["GET"]),  # of a PDF's own window
            Mount("/static", StaticFiles(directory=STATIC), name="static"),
        ],
        lifespan=life,
        exception_handlers={
            FootscanError: _refused,
            HTTPException: _http,
            TooLarge: _too_large,
            Exception: _fault,
        },
    )
    app.state.service = service
    app.state.plan_pages = PlanPages()
    return Guard(app, rules or Rules())


async def _mark(request: Request) -> Response:
    return FileResponse(STATIC / "mark.svg", media_type="image/svg+xml")


async def _refused(request: Request, error: Exception) -> Response:
    """Answer what the data does not allow: one sentence, and 409 for a refusal."""
    assert isinstance(error, FootscanError)
    words = api.service_of(request).plain(str(error))
    status = 409 if error.exit_code == 4 else 422
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": words, "refused": status == 409}, status)
    return pages.problem(request, words, 404 if status == 422 else status)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": "There is nothing here"}, error.status_code)
    return pages.problem(request, "There is no such page.", error.status_code)


async def _too_large(request: Request, error: Exception) -> Response:
    return JSONResponse(
        {"error": "That is larger than the desk takes; export the scan with fewer points"}, 413
    )


async def _fault(request: Request, error: Exception) -> Response:
    words = f"A fault in the program itself ({type(error).__name__}); report it"
    return JSONResponse({"error": words}, 500)
