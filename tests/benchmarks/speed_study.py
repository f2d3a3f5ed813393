"""From scan file to measures: our stages, the same work scripted from libraries, the lower limit.

Three ways take the same files in turn, each in a fresh process, imports included:

    ours     read, find, clean, measure, check: what ``measure --json`` does
    script   the usual chain of general-purpose libraries (open3d, trimesh): thinning, outliers,
             floor plane, clusters, normals, Poisson surface for points; parts, holes, hull,
             sections and nearest points of the mesh; no landmark, no check, no uncertainty
    limit    reading the file, one search tree, one pass over the points

    python tests/benchmarks/speed_study.py [--sizes N ...] [--rounds N] [--plot FILE] [--json FILE]

Wall seconds say what a person waits for on a quiet machine; processor seconds bear a busy one.
Medians over the rounds; the way's order changes from round to round.

Terms
    growth   processor time beyond the start-up, per point, over that of the next smaller size
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

SIZES = (20_000, 100_000, 500_000, 2_000_000)
WAYS, KINDS = ("ours", "script", "limit"), ("mesh", "cloud")
MADE_FROM = 130_000  # points; larger scans are these, each face cut in four
NOISE_MM, FLOOR_MM = 0.1, 45.0
SECTIONS = 200
POISSON_DEPTH = 8  # the cheaper of the two usual ones


@dataclass(frozen=True, kw_only=True)
class Run:
    """One way's cost on one file: seconds, megabytes."""

    kind: str
    points: int
    way: str
    wall: float
    cpu: float
    memory: float


# ---- the three ways, each in a process of its own ----------------------------------------


def ours(path: str) -> None:
    """Measure as ``measure --json`` does."""
    from footscan import pipeline, told

    json.dumps([told.as_json(foot, "") for foot in pipeline.measure_feet_in([path])])


def script(path: str) -> None:
    """Do what one would script from libraries: clean, surface, sections, nearest points."""
    (_script_cloud if Path(path).stem.startswith("cloud") else _script_mesh)(path)


def _open3d() -> Any:
    """Return open3d, with the USB library that it wants on a bare machine."""
    import ctypes

    try:
        import libusb_package

        ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    except (ImportError, OSError):
        pass
    import open3d

    return open3d


def _script_cloud(path: str) -> None:
    o3d = _open3d()
    import trimesh

    cloud = o3d.io.read_point_cloud(path).voxel_down_sample(1.0)
    cloud, _ = cloud.remove_statistical_outlier(20, 2.0)
    plane, inside = cloud.segment_plane(1.0, 3, 1000)
    cloud = cloud.select_by_index(inside, invert=True)
    label = np.asarray(cloud.cluster_dbscan(3.0, 10))
    cloud = cloud.select_by_index(np.flatnonzero(label == np.bincount(label[label >= 0]).argmax()))
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(20))
    cloud.orient_normals_consistent_tangent_plane(15)
    surface, weight = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(
        cloud, depth=POISSON_DEPTH
    )
    surface.remove_vertices_by_mask(np.asarray(weight) < np.quantile(np.asarray(weight), 0.02))
    _measured(
        trimesh.Trimesh(np.asarray(surface.vertices), np.asarray(surface.triangles), process=False),
        np.asarray(plane[:3]),
    )


def _script_mesh(path: str) -> None:
    import trimesh
    from scipy.spatial import cKDTree

    mesh = trimesh.load(path, force="mesh")
    parts = mesh.split(only_watertight=False)
    foot = max(parts, key=lambda part: np.ptp(part.vertices, axis=0).min())  # not the floor
    foot.fill_holes()
    cKDTree(foot.vertices).query(foot.vertices, k=20)  # spacing and noise
    _measured(foot, np.array([0.0, 0.0, 1.0]))


def _measured(mesh: Any, up: Any) -> None:
    """Take hull, sections along the foot, girths, and nearest points as measures want them."""
    from scipy.spatial import ConvexHull, cKDTree

    _ = mesh.vertex_normals
    thin = mesh.vertices[::10] - mesh.vertices.mean(axis=0)
    long = np.linalg.svd(thin, full_matrices=False)[2][0]
    along, across = mesh.vertices @ long, np.linalg.svd(long[None])[2][1:].T
    for at in np.linspace(along.min() + 3, along.max() - 3, SECTIONS):
        cut = mesh.section(plane_origin=long * at, plane_normal=long)
        if cut is not None and len(cut.vertices) > 3:
            ConvexHull(np.asarray(cut.vertices) @ across, qhull_options="QJ")
    ConvexHull(mesh.vertices)
    cKDTree(mesh.vertices).query(mesh.vertices[:10_000] + 0.1 * up)


def limit(path: str) -> None:
    """Read the file, build one tree, pass once over the points."""
    from scipy.spatial import cKDTree

    from footscan import reading

    points = reading.read([path]).vertices
    cKDTree(points, balanced_tree=False, compact_nodes=False)
    np.linalg.norm(points - points.mean(axis=0), axis=1).max()


# ---- files -------------------------------------------------------------------------------


def write_files(folder: Path, sizes: list[int]) -> dict[tuple[str, int], Path]:
    """Write a standing foot on its floor as mesh and as points, about so many of them."""
    from dataclasses import replace

    import trimesh

    from footscan.foot import vertex_normals
    from footscan.scan import Scan
    from footscan.specimen.made_up import Shape, build
    from footscan.specimen.scanner import ScannerSpec, scan, write_scan

    built, files = build(Shape()), {}
    for size in sizes:
        few, cuts = size, 0
        while few > MADE_FROM:
            few, cuts = few // 4, cuts + 1
        rng = np.random.default_rng(size)
        made = scan(built, ScannerSpec(points=few, floor=FLOOR_MM), rng)
        vertices, faces = made.vertices, made.faces
        for _ in range(cuts):
            vertices, faces = trimesh.remesh.subdivide(vertices, faces)
        off = NOISE_MM * rng.standard_normal(len(vertices))
        vertices = vertices + vertex_normals(vertices, faces) * off[:, None]
        mesh = Scan(vertices=vertices, faces=faces)
        order = rng.permutation(len(vertices))
        cloud = replace(mesh, vertices=vertices[order], faces=np.zeros((0, 3), np.int64))
        for kind, one in zip(KINDS, (mesh, cloud), strict=True):
            files[kind, size] = write_scan(one, folder / f"{kind}_{size}.ply")
    return files


# ---- the study ---------------------------------------------------------------------------


def run(way: str, path: Path) -> tuple[float, float, float]:
    """Return wall seconds, processor seconds and peak megabytes of one way on one file."""
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    start = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, __file__, "--way", way, str(path)],
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    said = child.stdout.read()
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - start
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{way} failed on {path.name}")
    return wall, used.ru_utime + used.ru_stime, float(said.split()[-1])


def peak_mb() -> float:
    """Return this process's own peak of memory; what its parent had does not count."""
    import resource

    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text("utf-8").splitlines():
            if line.startswith("VmHWM"):
                return float(line.split()[1]) / 1024
    unit = 2**20 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def table(runs: list[Run]) -> str:
    """Return medians and ratios as a table in Markdown."""
    rows = [
        "| scan | points | ours wall / CPU s | script | limit | script : ours (CPU) | "
        "ours : limit (CPU) | ours MB | script MB | growth |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    start = min(r.cpu for r in runs if r.way == "limit")  # hardly more than imports
    for kind in KINDS:
        before = 0.0
        for size in sorted({r.points for r in runs if r.kind == kind}):
            m = {way: _median(runs, kind, size, way) for way in WAYS}
            own, others = m["ours"], (m["script"], m["limit"])
            per_point = (own[1] - start) / size if own else 0.0
            cells = [kind, f"{size // 1000} k", *(_seconds(m[way]) for way in WAYS)]
            cells += (
                [
                    "" if not (own and other) else f"{a / b:.1f}"
                    for a, b, other in (
                        ((others[0] or own)[1], own[1], others[0]),
                        (own[1], (others[1] or own)[1], others[1]),
                    )
                ]
                if own
                else ["", ""]
            )
            cells += ["" if not one or not one[2] else f"{one[2]:.0f}" for one in (own, others[0])]
            cells.append(f"{per_point / before:.2f}" if before and own else "")
            before = per_point
            rows.append(f"| {' | '.join(cells)} |")
    return "\n".join(rows)


def _seconds(found: tuple[float, float, float] | None) -> str:
    return f"{found[0]:.1f} / {found[1]:.1f}" if found else ""


def _median(runs: list[Run], kind: str, size: int, way: str) -> tuple[float, float, float] | None:
    own = [r for r in runs if (r.kind, r.points, r.way) == (kind, size, way)]
    if not own:
        return None
    median = statistics.median
    return (median(r.wall for r in own), median(r.cpu for r in own), median(r.memory for r in own))


def plot(runs: list[Run], path: Path) -> None:
    """Draw processor time against points, one line a way."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, 3.2), dpi=110, layout="constrained")
    colours = {"ours": "#005c9e", "script": "#c25400", "limit": "#6b6b6b"}
    for kind, axes in zip(KINDS, figure.subplots(1, 2, sharey=True), strict=True):
        for way in WAYS:
            sizes = sorted({r.points for r in runs if (r.kind, r.way) == (kind, way)})
            cpu = [found[1] for n in sizes if (found := _median(runs, kind, n, way))]
            axes.loglog(sizes, cpu, marker="o", ms=4, color=colours[way], label=way)
        axes.set(title=kind, xlabel="points in the file")
        axes.grid(alpha=0.3, which="both", lw=0.5)
        sizes = sorted({r.points for r in runs})
        axes.set_xticks(sizes, [f"{n // 1000} k" for n in sizes], minor=False)
        axes.minorticks_off()
    figure.axes[0].set_ylabel("processor time, s")
    figure.axes[0].legend(frameon=False)
    figure.savefig(path, metadata={"Software": None})


def main(words: list[str]) -> int:
    """Run the study, or one way on one file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--plot", type=Path)
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    parser.add_argument("--json", type=Path, help="keep every run here; those kept count as well")
    parser.add_argument("--way", nargs=2, metavar=("WAY", "FILE"), help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.way:
        {"ours": ours, "script": script, "limit": limit}[asked.way[0]](asked.way[1])
        print(peak_mb())
        return 0
    runs: list[Run] = []
    if asked.json and asked.json.exists():
        runs = [Run(**one) for one in json.loads(asked.json.read_text("utf-8"))]
    with tempfile.TemporaryDirectory() as room:
        files = write_files(Path(room), asked.sizes)
        for number in range(asked.rounds):
            for (kind, size), path in files.items():
                for k in range(len(asked.ways)):
                    way = asked.ways[(k + number) % len(asked.ways)]
                    wall, cpu, memory = run(way, path)
                    runs.append(
                        Run(kind=kind, points=size, way=way, wall=wall, cpu=cpu, memory=memory)
                    )
                    print(
                        f"{kind} {size} {way}: {wall:.1f} s, {cpu:.1f} s of processor, "
                        f"{memory:.0f} MB",
                        file=sys.stderr,
                        flush=True,
                    )
                    if asked.json:
                        asked.json.write_text(json.dumps([asdict(r) for r in runs]), "utf-8")
    print(table(runs))
    if asked.plot:
        plot(runs, asked.plot)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
