"""A kept plan's page on paper, before its parts are made: drawn at once, held for a while.

PlanPages.of(case, version) -> the bytes of ``paper/plan-<case>-v<version>.pdf`` as making writes
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections import OrderedDict
from pathlib import Path
from typing import Any

from insole.desk.service import Job, Service
from insole.desk.store import DeskCase

__all__ = ["PlanPages"]

KEPT = 12


class PlanPages:
    """The pages drawn last, in memory; a made folder's own page goes before."""

    def __init__(self) -> None:
        self._drawn: OrderedDict[str, bytes] = OrderedDict()
        self._jobs: dict[tuple[str, int], Job] = {}
        self._busy: dict[str, asyncio.Lock] = {}

    def forget(self) -> None:
        """Drop every page: a rider was erased."""
        self._drawn.clear()

    def job(self, service: Service, case: DeskCase, version: int) -> Job:
        """Start drawing a page, or return the job that draws it already."""
        key = (case.name, version)
        running = self._jobs.get(key)
        if running is not None and running.state == "running":
            return running

        async def work(job: Job) -> dict[str, Any]:
            await self.of(service, case, version)
            return {"version": version}

        for old in [k for k, job in self._jobs.items() if job.state != "running"]:
            del self._jobs[old]
        self._jobs[key] = service.start("drawing the plan's page", service.bench, work)
        return self._jobs[key]

    async def of(self, service: Service, case: DeskCase, version: int) -> bytes:
        """Return a plan's page as PDF.

        Raises
        ------
        insole.errors.InsoleError
            There is no such plan, its answers stop, or a part cannot be made.
        """
        text, folder = service.unstopped(case, version), service.made_folder(case, version)
        if folder is not None:
            return await asyncio.to_thread(
                (folder / "paper" / f"plan-{folder.name}.pdf").read_bytes
            )
        return await self._page(service, text)

    async def ahead(self, service: Service, case: DeskCase) -> None:
        """Plan what is being worked on, and draw its page, before it is kept.

        Raises
        ------
        footscan.errors.FootscanError
            It cannot be planned, or not be made.
        """
        from insole.record.plan import from_json, to_json

        version = case.next_version()
        text = await service.planned(case, case.draft(), version)
        made = from_json(text)
        kept = case.case.plan(version - 1) if version > 1 else None
        if kept is None or kept.model_copy(update={"version": version}) != made:
            await self._page(service, to_json(made))

    async def _page(self, service: Service, text: str) -> bytes:
        """Return the page of a plan, drawn once."""
        given = (service.owned(), service.home.workshop().making())
        key = _key(text, *given)
        async with self._busy.setdefault(key, asyncio.Lock()):
            if key not in self._drawn:
                path = service.home.new_upload().with_suffix(".pdf")
                self._drawn[key] = await service.bench.run("plan_page", text, path, *given)
                while len(self._drawn) > KEPT:
                    self._drawn.popitem(last=False)
            data = self._drawn[key]
        self._busy.pop(key, None)
        return data


def _key(text: str, owned: dict[str, Any], asked: dict[str, Any]) -> str:
    """Return what names a page: the plan, and what its parts are made of and how."""
    stamps = [p.stat().st_mtime_ns for p in owned.values() if isinstance(p, Path)]
    given = json.dumps([text, owned, asked, stamps], default=str, sort_keys=True)
    return hashlib.sha256(given.encode()).hexdigest()
