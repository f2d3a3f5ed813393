"""The ways in which good files are spoilt: those of any file, and those of one format.

    spoil(kind, data, rng) -> (name of the way, bytes)

Every way is drawn from a seeded generator, so that an input is found again by its number.
"""

from __future__ import annotations

import copy
import io
import json
import struct
import zipfile

import numpy as np
from fuzz_good import JSON, RELS, TOML, mesh, model_xml, packed
from fuzz_ways import (
    Rng,
    Way,
    behind_head,
    cut,
    cut_inside,
    doubled,
    filled,
    flipped,
    flipped_head,
    lying_length,
    recoded,
    strewn,
    swapped,
    wild_number,
    wild_word,
)

# ------------------------------------------------------------------ ways of one format


def nested(data: bytes, rng: Rng) -> bytes:
    """Nesting as deep as it is wide, of the kinds that texts have."""
    n = int(rng.choice([50, 1000, 20_000, 100_000]))
    ways = [
        b"a = " + b"[" * n + b"]" * n,
        b"a = " + b"{a=" * n + b"1" + b"}" * n,
        b"a." * n + b"b = 1",
        b"[" + b"a." * n + b"b]\nc = 1",
        b"[" * n + b"1" + b"]" * n,
        b'{"a":' * n + b"1" + b"}" * n,
        b"<a>" * n,
        b"(" * n + b")" * n,
        b"".join(b"[a%d]\n" % k for k in range(n)),
        b"x(((,y,z" + b"(" * n + b"\n1,2,3\n",
    ]
    return ways[int(rng.integers(0, len(ways)))] + (data if rng.random() < 0.4 else b"")


def wild_json(data: bytes, rng: Rng) -> bytes:
    """Put a wild value somewhere into a JSON tree."""
    try:
        tree = json.loads(data)
    except ValueError:
        return flipped(data, rng)
    values = [
        None,
        True,
        -1,
        0,
        1e308,
        float("nan"),
        float("inf"),
        10**400,
        10**30,
        "",
        "x" * 5000,
        "\u202e",
        "\ud800",
        [],
        {},
        [[]],
        [None] * 2000,
        {"a": {"b": []}},
        2**31,
        1e-9,
        "right",
        "left",
        [1, 2],
        [[0, 0]] * 9,
        -5.5,
        300,
        "2999-01-01",
        "../x",
        [1] * 3,
    ]
    for _ in range(int(rng.integers(1, 3))):
        place = tree
        while True:
            keys = list(place) if isinstance(place, dict) else range(len(place))
            if not len(keys):
                break
            key = keys[int(rng.integers(0, len(keys)))]
            inner = place[key]
            if isinstance(inner, dict | list) and inner and rng.random() < 0.8:
                place = inner
                continue
            if rng.random() < 0.1 and isinstance(place, dict):
                del place[key]
            elif rng.random() < 0.1 and isinstance(place, dict):
                place["new\u202ekey" if rng.random() < 0.5 else "more"] = 1
            else:
                place[key] = copy.deepcopy(values[int(rng.integers(0, len(values)))])
            break
    return json.dumps(tree).encode("utf-8", "replace")


def wild_gltf(data: bytes, rng: Rng) -> bytes:
    """The tree of a GLB or glTF with a wild value, or bent on purpose."""
    binary = data.startswith(b"glTF")
    size = struct.unpack_from("<I", data, 12)[0] if binary else len(data)
    text, rest = (data[20 : 20 + size], data[20 + size :]) if binary else (data, b"")
    tree = json.loads(text)
    n = int(rng.choice([100, 3000, 9000, 60_000]))
    match int(rng.integers(0, 10)):
        case 0:  # one mesh many times
            tree["nodes"] = [{"mesh": 0}] * n
            tree["scenes"][0]["nodes"] = list(range(n))
        case 1:  # children of children
            tree["nodes"] = [{"children": [min(k + 1, 59)] * n, "mesh": 0} for k in range(60)]
        case 2:
            tree["nodes"][0]["children"] = [0] * n
        case 3:  # one piece many times
            mesh = tree["meshes"][0]
            mesh["primitives"] = mesh["primitives"] * n
        case 4:
            tree["accessors"][0]["count"] = int(rng.choice([10**7, 2**31, 2**53]))
        case 5:
            tree["bufferViews"][0]["byteStride"] = int(rng.choice([1, 2, 3, 11, 2**20]))
        case 6:
            tree["nodes"][0]["matrix"] = [float("nan")] * 16
        case 7:
            tree["buffers"][0]["uri"] = str(
                rng.choice(["/dev/zero", "../x.bin", "data:;base64,!!", "file:///etc/passwd"])
            )
        case 8:
            tree["nodes"][0]["scale"] = [1e300, 1e-300, float("inf")]
        case _:
            tree = json.loads(wild_json(text, rng))
    text = json.dumps(tree).encode()
    if not binary:
        return text
    return (
        struct.pack("<4sIII4s", b"glTF", 2, 20 + len(text) + len(rest), len(text), b"JSON")
        + text
        + rest
    )


def wild_zip(data: bytes, rng: Rng) -> bytes:
    """Parts of a zip renamed, linked, repeated, emptied, spoilt inside, or a bomb."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = {info.filename: archive.read(info) for info in archive.infolist()}
    names = list(parts)
    chosen = names[int(rng.integers(0, len(names)))]
    buffer = io.BytesIO()
    way = int(rng.integers(0, 11))
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in parts.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = zipfile.ZIP_DEFLATED
            if name == chosen:
                if way == 0:
                    info.filename = str(
                        rng.choice(
                            [
                                "../../up.json",
                                "/etc/x",
                                "rider-7/../x",
                                "rider-7\\..\\x",
                                "CON",
                                "rider-7/case.json\x01",
                                "other/case.json",
                                "rider-7/scans/x/y",
                            ]
                        )
                    )
                elif way == 1:
                    info.external_attr = 0o120777 << 16
                    body = b"/etc/passwd"
                elif way in (2, 3, 4):
                    ways = (flipped, cut, wild_number, wild_word, nested, strewn, wild_json)
                    body = ways[int(rng.integers(0, len(ways)))](body, rng)
                elif way == 5:
                    body = b""
                elif way == 6:
                    body = body[:-1] + b" " * 50_000_000  # packs a thousandfold
                elif way == 7:
                    continue
                elif way == 8:
                    info.compress_type = zipfile.ZIP_LZMA
            archive.writestr(info, body)
        if way == 9:
            for k in range(6000):
                archive.writestr(f"rider-7/trials/trial-{k:04}.json", b"")
    found = buffer.getvalue()
    return found if way != 10 else flipped(found, rng)


def wild_model(data: bytes, rng: Rng) -> bytes:
    """The XML inside a 3MF file bent on purpose."""
    points, faces = mesh()
    xml = model_xml(points, faces)
    n = int(rng.choice([200, 9000, 30_000]))
    entities = "".join(
        f'<!ENTITY a{k + 1} "&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};&a{k};">' for k in range(12)
    )
    group = "".join(
        f'<object id="{k + 2}"><components>'
        + f'<component objectid="{k + 1}"/>' * 9
        + "</components></object>"
        for k in range(25)
    )
    ways = [
        lambda: xml.replace("<model", f'<!DOCTYPE m [<!ENTITY a0 "ha">{entities}]><model'),
        lambda: xml.replace("<model", '<!DOCTYPE m [<!ENTITY x SYSTEM "/etc/passwd">]><model'),
        lambda: xml.replace("<model", "<a>" * n + "<model"),
        lambda: xml.replace('<item objectid="1"/>', '<item objectid="1"/>' * n),
        lambda: xml.replace("</resources>", group + "</resources>").replace(
            '<item objectid="1"/>', '<item objectid="26"/>'
        ),
        lambda: xml.replace(
            "</mesh></object>",
            "</mesh></object>"
            + (
                '<object id="2"><components>'
                + '<component objectid="2"/>' * n
                + "</components></object>"
            ),
        ).replace('<item objectid="1"/>', '<item objectid="2"/>'),
        lambda: xml.replace(
            '<item objectid="1"/>',
            '<item objectid="1" transform="' + " ".join(["nan"] * 12) + '"/>',
        ),
        lambda: xml.replace("<vertices>", "<vertices>" + '<vertex x="1" y="1" z="1"/>' * (40 * n)),
        lambda: xml.replace("millimeter", str(rng.choice(["inch", "micron", "parsec", ""]))),
        lambda: wild_number(xml.encode(), rng).decode("latin-1"),
        lambda: wild_word(xml.encode(), rng).decode("latin-1"),
        lambda: xml.replace(" x=", f' {"x" * n}="1" x='),
    ]
    body = ways[int(rng.integers(0, len(ways)))]()
    rels = (
        RELS
        if rng.random() < 0.9
        else RELS.replace("3dmodel.model", str(rng.choice(["../x.model", "", "x" * 9000])))
    )
    return packed({"_rels/.rels": rels, "3D/3dmodel.model": body.encode("latin-1", "replace")})


def wild_pcd(data: bytes, rng: Rng) -> bytes:
    """A packed or plain PCD whose header or packing lies."""
    n = int(rng.choice([10, 10**4, 10**6, 10**7, 10**9]))
    size = int(rng.choice([1, 4, 8, 4000]))
    head = (
        f"VERSION .7\nFIELDS x y z s\nSIZE 4 4 4 1\nTYPE F F F U\nCOUNT 1 1 1 {size}\n"
        f"WIDTH {n}\nHEIGHT 1\nPOINTS {n}\nDATA "
    ).encode()
    match int(rng.integers(0, 4)):
        case 0:
            body = bytes([0, 0]) * int(rng.choice([10, 10**6, 6 * 10**6]))  # one byte a piece
        case 1:
            body = b"\x00\x01" + b"\xff\xff\x00" * int(rng.choice([10, 10**5, 2 * 10**6]))
        case 2:
            body = rng.bytes(5000)
        case _:
            return head + b"binary\n" + rng.bytes(3000)
    full = n * (12 + size)
    return head + b"binary_compressed\n" + struct.pack("<II", len(body), full % 2**32) + body


def wild_ply(data: bytes, rng: Rng) -> bytes:
    """A PLY header that claims much or means little."""
    n = int(rng.choice([0, 1, 10**6, 2 * 10**7, 2**31, 2**63]))
    rows = {
        0: f"element vertex {n}\nproperty float x\nproperty float y\nproperty float z\n",
        1: "element vertex 132\n" + "property list uchar float x\n" * 3,
        2: "element vertex 132\nproperty float x\nproperty float y\nproperty float z\nelement "
        f"face {n}\nproperty list double int vertex_indices\n",
        3: "element vertex 132\n" + "property float x\n" * 2000,
        4: f"element junk {n}\nelement vertex 100\nproperty float x\nproperty float y\nproperty "
        "float z\n",
        5: "element vertex 100\nproperty float x\nproperty float y\nproperty float z\nelement "
        f"face {min(n, 10**7)}\nproperty list uchar uchar vertex_indices\n",
    }[int(rng.integers(0, 6))]
    kind = str(rng.choice(["ascii", "binary_little_endian", "binary_big_endian"]))
    noise = rng.integers(0, 4, int(rng.choice([2000, 10**5, 10**7])), dtype=np.uint8).tobytes()
    return f"ply\nformat {kind} 1.0\n{rows}end_header\n".encode() + noise


ANY: tuple[Way, ...] = (
    flipped,
    flipped_head,
    cut,
    cut_inside,
    doubled,
    filled,
    lying_length,
    wild_number,
    wild_word,
    swapped,
    recoded,
    strewn,
    behind_head,
    nested,
)
OWN: dict[str, tuple[Way, ...]] = {
    "3mf": (wild_zip, wild_model, wild_model),
    "archive": (wild_zip, wild_zip, wild_zip),
    "glb": (wild_gltf, wild_gltf),
    "gltf": (wild_gltf, wild_gltf, wild_json),
    "pcd_packed": (wild_pcd,),
    "ply_binary": (wild_ply,),
    "ply_mixed": (wild_ply,),
    **{kind: (wild_json, wild_json, wild_json, wild_json) for kind in JSON},
}
TEXTS = {
    *TOML,
    *JSON,
    "scanner_log",
    "series",
    "outline_csv",
    "xyz",
    "asc",
    "csv",
    "csv_comma",
    "txt",
    "obj",
    "off",
    "ply",
    "stl_text",
    "gltf",
    "pcd",
}


def spoil(kind: str, data: bytes, rng: Rng) -> tuple[str, bytes]:
    """Return a spoilt file and the name of what was done."""
    ways = [*ANY, *OWN.get(kind, ()), *OWN.get(kind, ())]
    if kind in TEXTS:
        ways += [wild_number, wild_number, wild_word]
    way = ways[int(rng.integers(0, len(ways)))]
    found = way(data, rng)
    if rng.random() < 0.15:
        more = ANY[int(rng.integers(0, len(ANY)))]
        found = more(found, rng) if found else found
        return f"{way.__name__}+{more.__name__}", found
    return way.__name__, found
