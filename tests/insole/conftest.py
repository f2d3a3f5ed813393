"""The command line, run in this process with what somebody types."""

from __future__ import annotations

import io
import sys

import pytest

from insole import cli
from tests.command_line import Run


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    def one(*arguments: object, typed: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed))
        capsys.readouterr()
        code = cli.main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return one
