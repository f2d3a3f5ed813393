"""Files of one kind, written and read without the rest of their folder: quick."""

from __future__ import annotations

import json
from fnmatch import fnmatch
from pathlib import Path

import pytest

from insole.output import contents
from insole.output.settings import Settings, folder_name
from insole.parts.build import all_parts
from insole.readback import carved, full_size, papers, solids
from insole.readback.cut import check_drawing
from insole.readback.drawings import read_drawing, same_drawing
from insole.readback.folder import _sheet
from insole.readback.told import Told
from insole.record.plan import fingerprint, to_json
from tests.plans import sample_plan


@pytest.mark.parametrize(
    "kind",
    [
        "paper/template-*",
        "paper/section-gauges-*",
        "paper/bench-page-*",
        "cut/left-*",
        "cut/right-foot-*",
        "cut/sheet-*",
        "print/*.stl",
    ],
)
def test_what_is_written_alone_says_what_the_plan_says(tmp_path: Path, kind: str) -> None:
    plan = sample_plan(under=True)
    tag, seal = folder_name(plan), fingerprint(plan)
    told = Told.of(json.loads(to_json(plan)), tag, {})
    for folder in ("paper", "cut/parts", "print", "pictures"):
        (tmp_path / folder).mkdir(parents=True)
    written = [
        item
        for item in contents.items(plan, all_parts(plan), Settings(papers=("a4",)))
        if fnmatch(item.path, kind)
    ]
    assert written
    for item in written:
        item.write(tmp_path / item.path)
    for path in sorted(tmp_path.glob(kind)):
        match path.name.partition("-")[0], path.suffix:
            case "template", _:
                full_size.check_template(path, told)
            case "section", _:
                full_size.check_gauges(path, told, seal)
            case "bench", _:
                papers.check_pair_paper(path, told, seal)
            case _, ".dxf":
                check_drawing(read_drawing(path), _sheet(path, told, 0.0), told)
            case _, ".svg":
                twin = read_drawing(path.with_suffix(".dxf"))
                assert same_drawing(read_drawing(path), twin)
            case _, ".stl":
                label = path.stem.removesuffix(f"-{tag}")
                header, corners = solids.read_stl(path)
                solids.check_mesh(path, header, corners, label, told)
                carved.check_carving(path, corners, label, told, by_hand="")
