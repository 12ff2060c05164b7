"""Who may talk to the page's server: a browser on this machine that has the link, and pages that came from here.

Every name in the web that resolves to 127.0.0.1, and every page open in the same browser, can reach a server on the
loopback interface. So the path begins with a random token, Host must be ours (DNS rebinding), and a request that says
where it comes from must come from here (cross-site requests).
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "media-src blob:",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
"""Content Security Policy Level 3 (W3C), with trusted types: no request leaves this origin, no text becomes script."""

HEADERS = {
    "content-security-policy": POLICY,
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Lets through what is ours, without the token in its path; answers everything else with 403 and one line."""

    def __init__(self, app: App, token: str, port: int) -> None:
        self._app = app
        self._token = token
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            raise RuntimeError(f"no {scope['type']} here")
        why = self._refusal(scope)
        if why:
            await _refuse(why, send)
            return
        root = f"/{self._token}"
        inner = dict(scope, root_path=scope.get("root_path", "") + root)
        await self._app(inner, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> str:
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self._hosts:
            return "this server answers to 127.0.0.1 only"
        if origin not in (None, f"http://{host}"):
            return "requests from other pages are not answered"
        if scope["method"] not in ("GET", "HEAD") and origin is None:
            return "a change must come from the page itself"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return "requests from other pages are not answered"
        token = scope["path"].split("/", 2)[1]
        if not secrets.compare_digest(token.encode(), self._token.encode()):
            return "this link is not, or no longer, valid: use the one that handsfree review printed"
        return ""


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            found = [
                (name, value) for name, value in message["headers"] if name.decode("latin-1").lower() not in HEADERS
            ]
            message["headers"] = [*found, *((name.encode(), value.encode()) for name, value in HEADERS.items())]
        await send(message)

    return sending


async def _refuse(why: str, send: Send) -> None:
    body = f"handsfree: {why}\n".encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    send = _with_headers(send)
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})
