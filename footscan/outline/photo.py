"""A photograph read safely: pixels upright, nothing kept of where and by whom it was taken.

    path -> read -> Photo

The header is judged before a pixel is decoded. Of what a camera writes beside the picture only
three things are read: orientation, focal length, and whether the front camera took it.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from footscan.files import why
from footscan.outline.errors import OutlineError

__all__ = ["Photo", "of_pixels", "read"]

LARGEST_FILE = 60_000_000  # bytes: a 12-megapixel JPEG has 3 to 8 million
MOST_PIXELS = 210_000_000  # the largest sensors of telephones
LEAST_SIDE = 700  # pixels: a sheet across it has some 2 pixels in a mm
WORKING_PIXELS = 17_000_000  # more are halved
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
_ORIENTATION, _FOCAL_35, _LENS = 0x0112, 0xA405, 0xA434
DIAGONAL_35 = 43.27  # mm, of the 36 by 24 mm frame

Pixels = NDArray[np.uint8]
BROKEN = (  # what the library raises at damaged tags and pictures
    OSError,
    ValueError,
    SyntaxError,
    TypeError,
    KeyError,
    IndexError,
    OverflowError,
    ZeroDivisionError,
    AttributeError,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A photograph.

    Attributes
    ----------
    name, sha256 : str
        The file.
    rgb : ndarray, shape (h, w, 3), uint8
        Upright, at most some 17 megapixels.
    focal : float or None
        Focal length in these pixels, where the camera said it.
    front : bool
        Taken with the front camera, whose pictures some telephones mirror.
    """

    name: str
    sha256: str
    rgb: Pixels = field(repr=False)
    focal: float | None = None
    front: bool = False


def of_pixels(rgb: Pixels, name: str = "photo") -> Photo:
    """Return a photograph of pixels, shape (h, w, 3), uint8."""
    digest = hashlib.sha256(np.ascontiguousarray(rgb).tobytes()).hexdigest()
    return Photo(name=name, sha256=digest, rgb=rgb)


def read(path: str | Path) -> Photo:
    """Return the photograph in a file.

    Raises
    ------
    footscan.outline.errors.OutlineError
        The file is missing, too large, animated, cut short, too small, or no photograph.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise _no(path, "is no file; name the photo itself", "not-a-photo")
        if size > LARGEST_FILE:
            raise _no(
                path,
                f"has {size / 1e6:.0f} MB, more than {LARGEST_FILE / 1e6:.0f}; "
                "send the photo as the telephone's camera saves it",
                "too-large",
            )
        data = path.read_bytes()
    except OSError as error:
        reason = why(error)
        raise OutlineError(
            "not-a-photo", f"the photo {path} cannot be read: {reason}; check the path"
        ) from None
    if not data:
        raise _no(path, "is empty; send the photo again", "cut-short")
    return _decoded(path, data)


def _no(path: Path, words: str, code: str) -> OutlineError:
    return OutlineError(code, f"{path.name} {words}")


def _decoded(path: Path, data: bytes) -> Photo:
    """Return the photograph in `data`; every fault of a decoder becomes a sentence."""
    from PIL import Image, UnidentifiedImageError

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # sizes are judged here, and broken tags are not used
        try:
            with Image.open(io.BytesIO(data), formats=FORMATS) as image:
                _judge_header(path, image)
                camera = _camera(image)
                image.draft("RGB", _halved(image.size))
                rgb = _upright(image, camera[0])
        except Image.DecompressionBombError:
            raise _no(
                path,
                "claims more pixels than any telephone takes; send the photo as the "
                "camera saved it",
                "too-large",
            ) from None
        except UnidentifiedImageError:
            raise _no(
                path,
                "is no JPEG, PNG, WebP or TIFF photo; on the telephone choose the format "
                "JPEG ('most compatible') and send it again",
                "not-a-photo",
            ) from None
        except OutlineError:
            raise
        except (*BROKEN, EOFError, RuntimeError):
            raise _no(
                path, "is cut short or damaged; send the photo again as a file", "cut-short"
            ) from None
    focal = None
    if camera[1]:
        frame = np.hypot(*rgb.shape[:2]) / DIAGONAL_35
        focal = float(camera[1] * frame)
    return Photo(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        focal=focal,
        front=camera[2],
    )


def _judge_header(path: Path, image: Any) -> None:
    """Refuse by size and frames, before anything is decoded."""
    wide, high = image.size
    if wide * high > MOST_PIXELS:
        raise _no(
            path,
            f"claims {wide} by {high} pixels, more than any telephone takes; send the "
            "photo as the camera saved it",
            "too-large",
        )
    if min(wide, high) < LEAST_SIDE:
        raise _no(
            path,
            f"has only {wide} by {high} pixels; send the original photo, not a preview",
            "too-small",
        )
    # MPO is a JPEG with a second picture behind it, such as depth: the first is the photo
    if image.format != "MPO" and getattr(image, "n_frames", 1) > 1:
        raise _no(path, "holds several pictures or moves; send one still photo", "animated")


def _camera(image: Any) -> tuple[int, float | None, bool]:
    """Return orientation, focal length for a 35 mm frame, and whether the front camera took it."""
    try:
        exif = image.getexif()
        inner = exif.get_ifd(0x8769)
        focal = float(inner.get(_FOCAL_35, 0) or 0)
        front = "front" in str(inner.get(_LENS, "")).lower()
        turn = int(exif.get(_ORIENTATION, 1) or 1)
    except BROKEN:
        return 1, None, False  # a broken tag is as good as none
    return turn, focal if 10.0 <= focal <= 200.0 else None, front


def _halved(size: tuple[int, int]) -> tuple[int, int]:
    """Return the size at which so many pixels are worked with."""
    wide, high = size
    while wide * high > WORKING_PIXELS:
        wide, high = wide // 2, high // 2
    return wide, high


def _upright(image: Any, turn: int) -> Pixels:
    """Return the pixels with the camera's orientation applied, on white where transparent."""
    from PIL import Image

    methods = {
        2: (Image.Transpose.FLIP_LEFT_RIGHT,),
        3: (Image.Transpose.ROTATE_180,),
        4: (Image.Transpose.FLIP_TOP_BOTTOM,),
        5: (Image.Transpose.TRANSPOSE,),
        6: (Image.Transpose.ROTATE_270,),
        7: (Image.Transpose.TRANSVERSE,),
        8: (Image.Transpose.ROTATE_90,),
    }
    image.load()
    if image.mode.startswith("I") or image.mode == "F":
        grey = np.asarray(image, dtype=np.float64)
        top = max(float(grey.max()), 1.0)
        picture = Image.fromarray((grey * (255.0 / top)).astype(np.uint8)).convert("RGB")
    elif "A" in image.mode or "transparency" in image.info:
        layered = image.convert("RGBA")
        picture = Image.new("RGB", layered.size, (255, 255, 255))
        picture.paste(layered, mask=layered.getchannel("A"))
    else:
        picture = image.convert("RGB")
    while picture.size[0] * picture.size[1] > WORKING_PIXELS:
        picture = picture.reduce(2)
    for method in methods.get(turn, ()):
        picture = picture.transpose(method)
    return np.asarray(picture)
