"""The desk's server: one process on one port, with its worker processes.

serve(home, host, port, rules) -> uvicorn -> until Ctrl-C
"""

from __future__ import annotations

import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn
from filelock import FileLock, Timeout

from insole.desk.app import create
from insole.desk.guard import Rules
from insole.errors import InsoleError

__all__ = ["serve"]


def serve(
    home: Path,
    host: str,
    port: int,
    rules: Rules,
    *,
    with_sample: bool = True,
    browser: bool = True,
    say: Callable[[str], None] = print,
) -> None:
    """Run the desk until it is stopped.

    Raises
    ------
    insole.errors.InsoleError
        The port is taken, the folder cannot be used, or another desk works in it.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InsoleError(f"{home} cannot be used: {error.strerror}; choose another folder").asking(
            "home"
        ) from None
    lock = FileLock(home / "desk.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise InsoleError(f"another desk works in {home}; use that one, or another folder").asking(
            "home"
        ) from None
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family, socket.SOCK_STREAM) as listening:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                listening.bind((host, port))
            except OSError:
                raise InsoleError(f"port {port} is taken; give another one").asking(
                    "port"
                ) from None
            named = {"0.0.0.0": "127.0.0.1"}.get(host, f"[{host}]" if ":" in host else host)
            address = f"http://{named}:{listening.getsockname()[1]}/"
            if rules.token:
                address += f"?token={rules.token}"
            say(f"the desk is open at {address}")
            say(f"cases are kept in {home}; Ctrl-C ends the desk")
            if browser:
                webbrowser.open(address)
            settings = uvicorn.Config(
                create(home, rules, with_sample=with_sample),
                log_level="warning",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                http="h11",
                ws="none",
                timeout_graceful_shutdown=2,
            )
            uvicorn.Server(settings).run(sockets=[listening])
    finally:
        lock.release()
