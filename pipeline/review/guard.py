"""Who may talk to the review server: host names, origin, token; what the browser may do.

A plain ASGI wrapper, so that no route can be added without it.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from dataclasses import dataclass
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

TOKEN_HEADER = "x-squareon-token"
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
READS = frozenset({"GET", "HEAD"})
MOST_BYTES = 1_000_000

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
"""Content Security Policy (W3C CSP level 3, Trusted Types): nothing but the server's own files,
no script in a page, no markup made from text."""

HEADERS: Mapping[str, str] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(frozen=True)
class Guard:
    """Wraps the application.

    Attributes:
        app: what is guarded.
        token: the secret that every call under /api must carry.
        hosts: names (with port where it is not 80) under which the server may be addressed; any
            other Host header is turned away, so that a foreign name that is made to point here
            (DNS rebinding) reaches nothing.
    """

    app: App
    token: str
    hosts: frozenset[str]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        wrong = self.objection(str(scope["method"]), str(scope["path"]), headers)
        if wrong is not None:
            await _answer(send, *wrong)
            return

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = [(k.encode(), v.encode()) for k, v in HEADERS.items()]
                named = {k.lower() for k, _ in message.get("headers", ())}
                if b"cache-control" not in named:
                    own.append((b"cache-control", b"no-store"))
                message["headers"] = [*message.get("headers", ()), *own]
            await send(message)

        await self.app(scope, receive, with_headers)

    def objection(
        self, method: str, path: str, headers: Mapping[str, str]
    ) -> tuple[int, str] | None:
        """Status and sentence with which a request is turned away, or None."""
        host = headers.get("host", "").lower()
        if host not in self.hosts:
            return 421, "this server is not known under that name"
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in (f"http://{host}", f"https://{host}"):
            return 403, "calls from another origin are not answered"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "calls from another site are not answered"
        if method not in READS:
            if origin is None:
                return 403, "a change must name its origin"
            if not headers.get("content-type", "").startswith("application/json"):
                return 415, "a change is sent as application/json"
            length = headers.get("content-length", "")
            if not length.isdigit() or int(length) > MOST_BYTES:
                return 413, "a change says its length and is small"
        if path.startswith("/api/"):
            given = headers.get(TOKEN_HEADER, "")
            if not hmac.compare_digest(given.encode(), self.token.encode()):
                return 401, "the token is missing or wrong: open the address that was printed"
        return None


async def _answer(send: Send, status: int, words: str) -> None:
    body = words.encode()
    headers = {
        **HEADERS,
        "content-type": "text/plain; charset=utf-8",
        "content-length": str(len(body)),
        "cache-control": "no-store",
    }
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})


def host_names(host: str, port: int, names: tuple[str, ...] = ()) -> frozenset[str]:
    """The Host headers under which a server at `host`:`port` may be addressed."""
    bare = f"[{host}]" if ":" in host and not host.startswith("[") else host
    own = LOOPBACK if bare in LOOPBACK else (bare,)
    every = [name.lower() for name in (*own, *names)]
    with_port = {name if name.rpartition(":")[2].isdigit() else f"{name}:{port}" for name in every}
    return frozenset(with_port | (set(every) if port in (80, 443) else set()))


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach a server that listens there."""
    bare = f"[{host}]" if ":" in host and not host.startswith("[") else host
    return bare in LOOPBACK
