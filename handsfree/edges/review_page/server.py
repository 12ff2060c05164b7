"""The page's server: what it answers, and its life from a free port to Ctrl-C."""

from __future__ import annotations

import contextlib
import json
import math
import os
import secrets
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from handsfree.core.corrections import Overtaken
from handsfree.core.errors import UserError
from handsfree.edges.review_page.guard import Guard

STATIC = Path(__file__).parent / "static"
MOST_BODY = 4096
"""A change is some dozen bytes; a body longer than this is none."""
MOST_SOUND_S, MOST_BINS = 600.0, 4000


@dataclass(frozen=True, slots=True)
class Sound:
    """A stretch of 16 kHz mono int16 PCM as a WAV file, and where it begins in session time."""

    wav: bytes
    start_s: float


class Desk(Protocol):
    """What lies behind the page. Sound is asked for in threads of its own, all else in the one that serves."""

    def state(self) -> dict[str, Any]: ...

    def heard(self) -> dict[str, Any]: ...

    def news(self) -> str:
        """A text that is another one whenever the log of the session has changed."""

    def change(self, kind: str, number: int, seen: int, at_s: float | None, behaviour: str | None) -> dict[str, Any]:
        """Raises UserError, and Overtaken when there are more corrections than `seen`."""

    def sound(self, number: int, from_s: float, to_s: float) -> Sound:
        """Sound of a rep. Raises UserError where there is none."""

    def wave(self, from_s: float, to_s: float, bins: int) -> dict[str, Any]: ...


def serve(desk: Desk, port: int, ready: Callable[[str], None], browse: Callable[[str], object] | None = None) -> None:
    """Serve until Ctrl-C on a port of the loopback interface, 0 for any. Raises UserError.

    `ready` is told the link; so is `browse`, in a thread of its own, since some browsers block.
    """
    try:
        import uvicorn
        from starlette.applications import Starlette  # noqa: F401
    except ModuleNotFoundError as error:
        raise UserError(
            f'the review page needs the package {error.name}; run `pip install "handsfree[review]"`, '
            "or review in the terminal with --terminal"
        ) from error
    with _listening(port) as listener:
        port = listener.getsockname()[1]
        token = secrets.token_urlsafe(24)
        app = Guard(application(desk), token, port)
        config = uvicorn.Config(
            app, log_level="critical", access_log=False, lifespan="off", ws="none", timeout_graceful_shutdown=1
        )
        link = f"http://127.0.0.1:{port}/{token}/"
        ready(link)
        if browse is not None:
            threading.Thread(target=browse, args=(link,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listener])


def _listening(port: int) -> socket.socket:
    # Only of a socket that says it is TCP does asyncio turn Nagle's algorithm off. With it on, the second piece of an
    # answer waits for the browser's delayed acknowledgement (RFC 1122, 4.2.3.2 and 4.2.3.4): 40 ms on Linux.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    if os.name == "posix":  # elsewhere this would let two programs share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()
    except (OSError, OverflowError) as error:
        listener.close()
        raise UserError(
            f"--port {port}: cannot be used ({getattr(error, 'strerror', None) or error}); "
            "choose another, or leave --port out"
        ) from error
    return listener


def application(desk: Desk) -> Any:
    """The Starlette application, without its guard."""
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.requests import Request
    from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
    from starlette.routing import Mount, Route
    from starlette.staticfiles import StaticFiles

    async def page(request: Request) -> Response:
        return FileResponse(STATIC / "index.html")

    async def state(request: Request) -> Response:
        return JSONResponse(desk.state())

    async def heard(request: Request) -> Response:
        return JSONResponse(desk.heard())

    async def news(request: Request) -> Response:
        return JSONResponse({"news": desk.news()})

    async def change(request: Request) -> Response:
        try:
            wanted = _wanted(await _body(request))
        except UserError as error:
            return JSONResponse({"message": str(error)}, 400)
        try:
            return JSONResponse(desk.change(**wanted))
        except Overtaken as error:
            return JSONResponse({"message": str(error), "state": desk.state()}, 409)
        except UserError as error:
            return JSONResponse({"message": str(error)})

    async def _body(request: Request) -> bytes:
        body = b""
        async for piece in request.stream():
            body += piece
            if len(body) > MOST_BODY:
                raise UserError("that is too long for a correction; nothing was written")
        return body

    async def sound(request: Request) -> Response:
        try:
            from_s, to_s = _span(request.query_params)
            number = int(request.path_params["number"])
            found = await run_in_threadpool(desk.sound, number, from_s, to_s)
        except UserError as error:
            return JSONResponse({"message": str(error)})
        return Response(found.wav, media_type="audio/wav", headers={"x-start-s": f"{found.start_s:.4f}"})

    async def wave(request: Request) -> Response:
        try:
            from_s, to_s = _span(request.query_params)
            bins = min(MOST_BINS, max(1, int(_number(request.query_params.get("bins", "600")))))
        except UserError as error:
            return PlainTextResponse(str(error), 400)
        return JSONResponse(await run_in_threadpool(desk.wave, from_s, to_s, bins))

    async def trouble(request: Request, error: Exception) -> Response:
        return JSONResponse({"message": str(error)}, 500)

    return Starlette(
        routes=[
            Route("/", page),
            Route("/state", state),
            Route("/heard", heard),
            Route("/news", news),
            Route("/change", change, methods=["POST"]),
            Route("/sound/{number:int}", sound),
            Route("/wave", wave),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        exception_handlers={UserError: trouble},
    )


def _wanted(body: bytes) -> dict[str, Any]:
    """The parts of a change as the desk takes them. Raises UserError."""
    try:
        found = json.loads(body)
        at_s, behaviour = found.get("at_s"), found.get("behaviour")
        if not (isinstance(found["kind"], str) and isinstance(found["seen"], int) and isinstance(found["n"], int)):
            raise TypeError
        if not (behaviour is None or isinstance(behaviour, str)):
            raise TypeError
        at_s = None if at_s is None else _number(at_s)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise UserError("that is no correction; nothing was written") from error
    return {"kind": found["kind"], "number": found["n"], "seen": found["seen"], "at_s": at_s, "behaviour": behaviour}


def _span(query: Any) -> tuple[float, float]:
    from_s, to_s = _number(query.get("from", "")), _number(query.get("to", ""))
    if not 0 <= from_s < to_s <= from_s + MOST_SOUND_S:
        raise UserError(f"from {from_s:g} to {to_s:g} s is no stretch of sound")
    return from_s, to_s


def _number(text: Any) -> float:
    try:
        number = float(text)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise UserError(f"{str(text)[:20]!r} is no number")
    return number
