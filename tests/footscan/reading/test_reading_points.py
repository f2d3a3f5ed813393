"""Reading points: PCD and lists of points as many hands write them."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from footscan import reading
from tests.scan_files import NORMALS, VERTICES, cloud, decimal_comma, lines


@pytest.mark.parametrize(
    "options", [{"write_ascii": True}, {}, {"compressed": True}], ids=["text", "binary", "packed"]
)
@pytest.mark.parametrize("with_normals", [False, True])
def test_pcd_from_open3d(tmp_path, open3d, options, with_normals):
    path = tmp_path / "foot.pcd"
    open3d.io.write_point_cloud(str(path), cloud(open3d, with_normals), **options)
    scan = reading.read([path])
    assert scan.format == "pcd"
    assert_array_equal(scan.vertices, VERTICES)
    assert (scan.normals is not None) == with_normals
    if with_normals:
        assert_allclose(scan.normals, NORMALS, atol=1e-7)


def test_pcd_packed_points_that_repeat_themselves(tmp_path, open3d):
    """Runs of equal values are packed as repeats that overlap what they write."""
    flat = np.zeros((5000, 3))
    flat[:, 0] = np.repeat(np.arange(50), 100)
    flat[:, 1] = np.tile(np.arange(10), 500)
    made = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(flat))
    open3d.io.write_point_cloud(str(tmp_path / "a.pcd"), made, compressed=True)
    assert (tmp_path / "a.pcd").stat().st_size < 5000 * 12 / 5
    assert_array_equal(reading.read([tmp_path / "a.pcd"]).vertices, flat)


@pytest.mark.parametrize(
    "text",
    [
        lines(),
        lines("\t"),
        lines("   "),
        lines(","),
        lines(", "),
        lines(";"),
        lines(" ; "),
        decimal_comma(lines(";")),
        decimal_comma(lines("\t")),
        decimal_comma(lines(" ")),
        lines(";").replace("\n", ";\n"),
        lines().replace("\n", "\r\n"),
        lines().replace("\n", "\r"),
        "\ufeff".encode().decode("latin-1") + lines(),
        "# made by hand\n// x y z\n\n" + lines(),
        lines().replace("\n", " # seen\n", 3).replace("\n", " // seen\n", 5),
        "x y z\n" + lines(),
        "X [mm];Y [mm];Z [mm]\n" + decimal_comma(lines(";")),
        '"x","y","z"\n' + lines(",", '"{:.6f}"'),
        "Left foot, second visit\nLaenge: 3 parts\n\nX Y Z\n" + lines(),
        "162\n" + lines(),
        lines(form="{:.8e}"),
    ],
)
@pytest.mark.parametrize("name", ["foot.xyz", "foot.csv"])
def test_lists_of_points_in_many_hands(put, text, name):
    scan = reading.read([put(name, text)])
    assert scan.format == "xyz"
    assert scan.normals is None
    assert_array_equal(scan.vertices, VERTICES)


def test_points_in_utf_16(put):
    assert_array_equal(
        reading.read([put("a.txt", lines("\t").encode("utf-16"))]).vertices, VERTICES
    )


@pytest.mark.parametrize("name", ["asc", "csv", "txt", "pts", "xyz"])
def test_open3d_point_lists(tmp_path, open3d, name):
    written = "pts" if name == "pts" else "xyz"
    path = tmp_path / f"foot.{written}"
    open3d.io.write_point_cloud(str(path), cloud(open3d, with_normals=False))
    scan = reading.read([path.rename(tmp_path / f"foot.{name}")])
    assert_array_equal(scan.vertices, VERTICES)


def test_columns_after_the_points(put):
    """Normals are told from colours by their unit length; a column of line numbers is no x."""
    grey = np.full((162, 3), 128.0)
    count = np.arange(162.0)[:, None]
    light = np.full((162, 1), 0.7)
    for columns, has_normals in [
        ([VERTICES, NORMALS], True),
        ([VERTICES, grey], False),
        ([VERTICES, grey, NORMALS], True),
        ([count, VERTICES], False),
        ([count + 1, VERTICES, NORMALS], True),
        ([VERTICES, light], False),
        ([VERTICES, light, grey], False),
    ]:
        scan = reading.read([put("a.xyz", lines(values=np.hstack(columns)))])
        assert_array_equal(scan.vertices, VERTICES)
        assert (scan.normals is not None) == has_normals
        if has_normals:
            assert_allclose(scan.normals, NORMALS, atol=2e-6)  # written with six decimals


def test_a_header_line_names_the_columns(put):
    x, y, z = VERTICES.T[:, :, None]
    nx, ny, nz = NORMALS.T[:, :, None]
    light = np.full((162, 1), 0.7)
    values = np.hstack([light, z, nx, ny, nz, x, y])
    head = "Intensity;Z (mm);Normal_X;Normal_Y;Normal_Z;X (mm);Y (mm)\n"
    scan = reading.read([put("a.csv", head + decimal_comma(lines(";", values=values)))])
    assert_array_equal(scan.vertices, VERTICES)
    assert_allclose(scan.normals, NORMALS, atol=2e-6)


def test_words_after_the_numbers_are_passed_over(put):
    text = lines(";").replace("\n", ";sole\n")
    assert_array_equal(reading.read([put("a.csv", text)]).vertices, VERTICES)
