"""A case to play with on first start: a rider who does not exist, and two shoes.

begin(service) -> a job that makes up the scans and puts them into the case
"""

from __future__ import annotations

import hashlib
from typing import Any

from insole.desk.service import SIDES, Job, Service
from insole.desk.store import ScanUse
from insole.errors import InsoleError

__all__ = ["NAME", "begin"]

NAME = "sample-rider"
SHOES: tuple[tuple[str, str, dict[str, object]], ...] = (
    (
        "demo-43-stiff.toml",
        "Demo 43, stiff",
        {
            "inside.length": 282,
            "inside.ball_width": 101,
            "inside.heel_width": 68,
            "inside.instep_height": 76,
            "stock_insole.kept": False,
            "bed.drop": 9.5,
            "bed.toe_spring": 4,
            "stock_insole.thickness.heel": 4.5,
            "stock_insole.thickness.arch": 5.0,
            "stock_insole.thickness.ball": 3.5,
            "stock_insole.thickness.toes": 3.0,
            "shell.cant_forefoot": 1.0,
            "shell.cant_heel": 0.0,
            "shell.stack": 17.5,
        },
    ),
    (
        "demo-43-wide.toml",
        "Demo 43, wide",
        {
            "inside.length": 284,
            "inside.ball_width": 106,
            "inside.heel_width": 70,
            "bed.drop": 8.0,
            "stock_insole.kept": False,
            "stock_insole.thickness.heel": 4.0,
            "stock_insole.thickness.arch": 4.0,
            "stock_insole.thickness.ball": 3.0,
            "stock_insole.thickness.toes": 3.0,
        },
    ),
)


def begin(service: Service) -> Job:
    """Start making the sample case up."""

    async def work(job: Job) -> dict[str, Any]:
        from insole.shoe import file as shoe_file

        for file, name, figures in SHOES:
            if not (service.home.shoes / file).exists():
                shoe_file.write_new(service.home.shoes / file, name, figures)
        try:
            case = service.home.create(NAME)
        except InsoleError:
            return {}
        folder = service.home.new_upload()
        scans = await service.bench.run("sample", folder, say=service.say(job))
        for side, path in zip(SIDES, scans, strict=True):
            sha = hashlib.sha256(path.read_bytes()).hexdigest()
            case.keep_scan(path, sha, path.name)
            async with service.lock(NAME):
                draft = case.draft()
                draft.scans[side] = ScanUse(sha256=sha, file=path.name, load="half")
                draft.shoe = SHOES[0][0]
                case.save(draft)
        folder.rmdir()
        return {"case": NAME}

    return service.start("making the sample rider up", service.bench, work)
