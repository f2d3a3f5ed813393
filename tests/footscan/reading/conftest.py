"""What puts scan files into a folder, and the library that writes some of them."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from pathlib import Path
from typing import Any

import libusb_package
import pytest


@pytest.fixture
def put(tmp_path: Path) -> Callable[[str, bytes | str], Path]:
    """Write a file and return its path."""

    def write(name: str, content: bytes | str) -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode("latin-1"))
        return path

    return write


@pytest.fixture(scope="package")
def open3d() -> Any:
    """The library open3d, with the USB library it wants."""
    ctypes.CDLL(str(libusb_package.get_library_path()), mode=ctypes.RTLD_GLOBAL)
    import open3d

    return open3d
