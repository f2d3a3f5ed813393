"""What stands before every request: who may ask, how much may come, what the answer carries.

request -> Guard (host, origin, token, size while it streams) -> the app -> security headers

The desk works for one machine. A page of another site open in the same browser must neither read
nor write here: its origin is refused, and a name that was pointed at this machine is no host of
ours. Beyond the loopback interface a token is asked for as well.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

__all__ = ["COOKIE", "Guard", "Rules", "TooLarge", "is_loopback"]

COOKIE = "desk_token"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
SAFE = ("GET", "HEAD")
Scope = MutableMapping[str, Any]
HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
        b"connect-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; "
        b"frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


class TooLarge(Exception):
    """More came than may come."""


def is_loopback(host: str) -> bool:
    """Return whether an address is this machine's own.

    Examples
    --------
    >>> is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, False)
    """
    return host in LOOPBACK


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Who may ask, and how much may come.

    Attributes
    ----------
    hosts : tuple of str
        Names, without port, under which the desk is reached.
    token : str
        Asked for when not empty.
    scan_bytes, small_bytes : int
        Largest body of an upload of a scan, and of anything else.
    store_bytes : int
        Largest backup that is taken in.
    """

    hosts: tuple[str, ...] = LOOPBACK
    token: str = ""
    scan_bytes: int = 400_000_000
    small_bytes: int = 200_000
    store_bytes: int = 50_000_000_000


class Guard:
    """The middleware; see the module."""

    def __init__(self, app: Any, rules: Rules) -> None:
        self.app, self.rules = app, rules

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no websockets here
        send = _with_headers(send)
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send, *refusal)
            return
        if fresh := self._fresh_token(scope):
            await _answer(
                send,
                303,
                "",
                [
                    (b"location", b"/"),
                    (
                        b"set-cookie",
                        (f"{COOKIE}={fresh}; HttpOnly; SameSite=Strict; Path=/").encode(),
                    ),
                ],
            )
            return
        most = self.rules.scan_bytes if scope["path"].endswith("/scans") else self.rules.small_bytes
        if scope["path"] == "/api/import":
            most = self.rules.scan_bytes
        if scope["path"] == "/api/backup":
            most = self.rules.store_bytes
        try:
            size = int(headers.get("content-length") or 0)
        except ValueError:
            await _answer(send, 400, "the request's length is no number")
            return
        try:
            if size > most:
                raise TooLarge
            await self.app(scope, _bounded(receive, most), send)
        except TooLarge:
            await _answer(
                send,
                413,
                f"that is more than {most // 1_000_000 or 0.2:g} MB; export "
                "the scan with fewer points",
            )

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        """Return why a request is refused, or None."""
        host = headers.get("host", "")
        if _bare(host) not in self.rules.hosts:
            return 400, "this name is not a name of the desk; open it as it said when it started"
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope.get('scheme', 'http')}://{host}":
            return 403, "a page of another site may not ask here"
        if scope["method"] not in SAFE and origin is None:
            return 403, "a change wants the page's own origin"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "a page of another site may not ask here"
        if self.rules.token and not self._known(scope, headers):
            return 401, "this desk is open to other machines: use the address with its token"
        return None

    def _known(self, scope: Scope, headers: dict[str, str]) -> bool:
        """Return whether the token is right, in the cookie or in the address."""
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        given = jar[COOKIE].value if COOKIE in jar else ""
        asked = _asked_token(scope)
        right = self.rules.token.encode()
        return any(hmac.compare_digest(one.encode(), right) for one in (given, asked))

    def _fresh_token(self, scope: Scope) -> str:
        """Return the token when it came in the address: it moves to a cookie at once."""
        return self.rules.token if self.rules.token and _asked_token(scope) else ""


def _asked_token(scope: Scope) -> str:
    query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
    return query.get("token", [""])[0] if scope["path"] == "/" else ""


def _bare(host: str) -> str:
    """Return a host without its port."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0].lower()


def _bounded(receive: Any, most: int) -> Callable[[], Any]:
    """Return what receives a body and stops when more comes than may."""
    seen = 0

    async def bounded() -> Any:
        nonlocal seen
        message = await receive()
        if message["type"] == "http.request":
            seen += len(message.get("body", b""))
            if seen > most:
                raise TooLarge
        return message

    return bounded


def _with_headers(send: Any) -> Callable[[Any], Any]:
    """Return what sends an answer with the security headers; nothing personal is cached."""

    async def sending(message: Any) -> None:
        if message["type"] == "http.response.start":
            own = list(message.get("headers", ()))
            names = {name for name, _ in own}
            own += [pair for pair in HEADERS if pair[0] not in names]
            if b"cache-control" not in names:
                own.append((b"cache-control", b"no-store"))
            message = {**message, "headers": own}
        await send(message)

    return sending


async def _answer(
    send: Any, status: int, words: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    """Send one sentence."""
    start = {
        "type": "http.response.start",
        "status": status,
        "headers": [(b"content-type", b"text/plain; charset=utf-8"), *(headers or [])],
    }
    await send(start)
    await send({"type": "http.response.body", "body": words.encode()})
