"""The page's server: one HTML page, and a socket that sends the chart once and then the newest place.

Each client gets only the newest place: one that stalls is dropped after a while and disturbs nobody. With a code, the
page and the socket are refused without it. Nothing is asked of the network beyond the one port.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import http
import json
import secrets
import sys
import threading
from typing import Any
from urllib.parse import parse_qs, urlsplit

from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from trainer.page.html import page_html
from trainer.system import here

__all__ = ["MAX_CLIENTS", "run"]

MAX_CLIENTS = 24  # a room full of tablets; our choice
STALLED_S = 5.0  # a client that takes nothing for so long is let go; our choice


class _Stand:
    """What is shown, and who is looking."""

    def __init__(self, code: str | None) -> None:
        self.code = code
        self.chart = "{}"
        self.place: str | None = None
        self.version = 0
        self.changed = asyncio.Condition()
        self.clients: set[ServerConnection] = set()

    async def take(self, line: bytes) -> None:
        try:
            message: dict[str, Any] = json.loads(line)
        except ValueError:
            return
        async with self.changed:
            if "chart" in message:
                self.chart = json.dumps({"chart": message["chart"]})
            if "place" in message:
                self.place = json.dumps({"place": message["place"]}, separators=(",", ":"))
                self.version += 1
            self.changed.notify_all()

    def answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """The page for a plain request, a refusal, or None to go on to the socket."""
        parts = urlsplit(request.path)
        if self.code is not None:
            given = parse_qs(parts.query).get("code", [""])[0]
            if not hmac.compare_digest(given.encode(), self.code.encode()):
                return _text(http.HTTPStatus.FORBIDDEN, "This page needs the code shown on the player's screen.\n")
        if parts.path == "/":
            nonce = secrets.token_urlsafe(16)
            return _page(page_html(nonce), nonce)
        if parts.path != "/live":
            return _text(http.HTTPStatus.NOT_FOUND, "There is only one page here: /\n")
        origin = request.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc != request.headers.get("Host"):
            return _text(http.HTTPStatus.FORBIDDEN, "Only this page itself may listen.\n")
        if len(self.clients) >= MAX_CLIENTS:
            return _text(http.HTTPStatus.SERVICE_UNAVAILABLE, f"Full: {MAX_CLIENTS} screens are listening already.\n")
        return None

    async def tell(self, connection: ServerConnection) -> None:
        if len(self.clients) >= MAX_CLIENTS:
            await connection.close(1013, f"full: {MAX_CLIENTS} screens are listening already")
            return
        self.clients.add(connection)
        seen = -1
        try:
            await asyncio.wait_for(connection.send(self.chart), STALLED_S)
            while True:
                async with self.changed:
                    while self.version == seen or self.place is None:
                        await self.changed.wait()
                    seen, place = self.version, self.place
                await asyncio.wait_for(connection.send(place), STALLED_S)
        except (TimeoutError, ConnectionClosed):
            if connection.transport is not None:
                connection.transport.abort()
        finally:
            self.clients.discard(connection)


def _text(status: http.HTTPStatus, body: str) -> Response:
    data = body.encode()
    headers = Headers([("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(data)))])
    headers["Connection"] = "close"
    return Response(status.value, status.phrase, headers, data)


def _page(body: str, nonce: str) -> Response:
    data = body.encode()
    policy = (
        f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; "
        "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    headers = Headers(
        [
            ("Content-Type", "text/html; charset=utf-8"),
            ("Content-Length", str(len(data))),
            ("Content-Security-Policy", policy),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
            ("Connection", "close"),
        ]
    )
    return Response(200, "OK", headers, data)


async def _serve(host: str, port: int, code: str | None) -> None:
    stand = _Stand(code)
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[bytes] = asyncio.Queue()
    here().stand_back()  # the page may wait; the band may not
    server: Server = await serve(
        stand.tell, host, port, process_request=stand.answer, compression=None, max_size=1024, open_timeout=5,
        ping_interval=10, ping_timeout=10, write_limit=4096,
    )  # fmt: skip
    print(f"port {next(iter(server.sockets)).getsockname()[1]}", flush=True)

    def pump() -> None:  # not every system's event loop can read a pipe
        with contextlib.suppress(RuntimeError):  # the loop has ended
            for line in sys.stdin.buffer:
                loop.call_soon_threadsafe(lines.put_nowait, line)
            loop.call_soon_threadsafe(lines.put_nowait, b"")

    threading.Thread(target=pump, daemon=True).start()
    while line := await lines.get():
        await stand.take(line)
    server.close(close_connections=True)
    with contextlib.suppress(asyncio.TimeoutError):
        await asyncio.wait_for(server.wait_closed(), 1.0)


def run(host: str, port: int, code: str | None) -> None:
    """Serve until standard input ends. A port that cannot be had is said in one line."""
    try:
        asyncio.run(_serve(host, port, code))
    except OSError as error:
        print(error.strerror or str(error), flush=True)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        raise SystemExit(130) from None
