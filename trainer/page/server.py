"""The page's server: one HTML page, a socket that sends what changed and hears what is pressed, and the report.

Each client gets the chart and what stands between two runs when they change, and of places only the newest: one that
stalls is dropped after a while and disturbs nobody. Page, socket and report are refused without the code of the
address. What is pressed goes out on standard output, a JSON line a press with who pressed it, in the order in which it
came. Nothing is asked of the network beyond the one port.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import http
import ipaddress
import json
import secrets
import socket
import sys
import threading
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.datastructures import Headers, MultipleValuesError
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from trainer.page.html import page_html
from trainer.system import here

__all__ = ["MAX_CLIENTS", "run"]

MAX_CLIENTS = 24  # a room full of tablets; our choice
STALLED_S = 5.0  # a client that takes nothing for so long is let go; our choice
MOST_A_SECOND = 20  # presses of one client; fingers and a sleeve are slower. Our choice
_SHOWN = ("chart", "desk", "place")  # what is sent, in this order


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request as far as it matters: its Host and the name in it, where its page came from, its path and its code."""

    host: str
    name: str
    origin: str | None
    path: str
    code: str

    @classmethod
    def of(cls, request: Request) -> _Asked:
        """`ValueError` and `MultipleValuesError` for what no browser sends."""
        host, origin = request.headers.get("Host", ""), request.headers.get("Origin")
        parts = urlsplit(request.path)
        return cls(
            host=host,
            name=urlsplit(f"//{host}").hostname or "",
            origin=None if origin is None else urlsplit(origin).netloc,
            path=parts.path,
            code=parse_qs(parts.query).get("code", [""])[0],
        )


class _Stand:
    """What is shown, and who is looking."""

    def __init__(self, host: str, code: str) -> None:
        self.host = host
        self.code = code
        self.shown: dict[str, tuple[int, str]] = {}  # by kind: how often it changed, and its JSON
        self.report: Path | None = None
        self.changed = asyncio.Condition()
        self.clients: dict[ServerConnection, int] = {}  # and their numbers, by which they are named

    async def take(self, line: bytes) -> None:
        try:
            message: dict[str, Any] = json.loads(line)
        except ValueError:
            return
        async with self.changed:
            for kind in _SHOWN:
                if kind in message:
                    text = json.dumps({kind: message[kind]}, separators=(",", ":"))
                    self.shown[kind] = self.shown.get(kind, (0, ""))[0] + 1, text
            if "report" in message:
                self.report = None if message["report"] is None else Path(message["report"])
            self.changed.notify_all()

    def answer(self, connection: ServerConnection, request: Request) -> Response | None:
        """The page for a plain request, a refusal, or None to go on to the socket."""
        try:
            asked = _Asked.of(request)
        except (ValueError, MultipleValuesError):  # an address that is none, a header that is there twice
            return _text(http.HTTPStatus.BAD_REQUEST, "That is no request of a browser's.\n")
        try:
            return self._answer(asked)
        except Exception:
            traceback.print_exc()  # into the page's log
            return _text(http.HTTPStatus.INTERNAL_SERVER_ERROR, "A fault of the program; the page's log says which.\n")

    def _answer(self, asked: _Asked) -> Response | None:
        if not _is_ours(asked.name, self.host):
            return _text(http.HTTPStatus.MISDIRECTED_REQUEST, "This page is asked for by its own address only.\n")
        if not hmac.compare_digest(asked.code.encode(), self.code.encode()):
            return _text(http.HTTPStatus.FORBIDDEN, "This page needs the code shown on the player's screen.\n")
        if asked.path == "/":
            nonce = secrets.token_urlsafe(16)
            policy = (
                f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; connect-src 'self'; "
                "frame-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
            )
            return _page(page_html(nonce).encode(), policy)
        if asked.path == "/report":
            return self._report()
        if asked.path != "/live":
            return _text(http.HTTPStatus.NOT_FOUND, "There is only one page here: /\n")
        if asked.origin not in (None, asked.host):
            return _text(http.HTTPStatus.FORBIDDEN, "Only this page itself may listen.\n")
        if len(self.clients) >= MAX_CLIENTS:
            return _text(http.HTTPStatus.SERVICE_UNAVAILABLE, f"Full: {MAX_CLIENTS} screens are listening already.\n")
        return None

    async def tell(self, connection: ServerConnection) -> None:
        if len(self.clients) >= MAX_CLIENTS:
            await connection.close(1013, f"full: {MAX_CLIENTS} screens are listening already")
            return
        taken = set(self.clients.values())
        number = next(n for n in range(1, MAX_CLIENTS + 2) if n not in taken)
        self.clients[connection] = number
        # Whoever goes is let go at once, even where there is nothing to tell.
        tasks = [
            asyncio.create_task(self._hear(connection, f"tablet {number}")),
            asyncio.create_task(self._send(connection)),
        ]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            self.clients.pop(connection, None)

    async def _send(self, connection: ServerConnection) -> None:
        """What changed, as it changes, until this client takes nothing or goes."""
        seen = dict.fromkeys(_SHOWN, 0)
        try:
            while True:
                async with self.changed:
                    while not (news := [kind for kind in _SHOWN if self.shown.get(kind, (0, ""))[0] != seen[kind]]):
                        await self.changed.wait()
                    texts = []
                    for kind in news:
                        seen[kind], text = self.shown[kind]
                        texts.append(text)
                for text in texts:
                    await asyncio.wait_for(connection.send(text), STALLED_S)
        except (TimeoutError, ConnectionClosed):
            if connection.transport is not None:
                connection.transport.abort()

    async def _hear(self, connection: ServerConnection, name: str) -> None:
        """What this client presses, as it comes; what is no press of ours is passed over."""
        times: list[float] = []
        with contextlib.suppress(ConnectionClosed):
            async for text in connection:
                now_s = time.monotonic()
                times = [at_s for at_s in times if now_s - at_s < 1.0]
                if len(times) >= MOST_A_SECOND:
                    continue
                times.append(now_s)
                with contextlib.suppress(ValueError, RecursionError):
                    press = json.loads(text)
                    if isinstance(press, dict) and isinstance(press.get("do"), str):
                        print(json.dumps({**press, "by": name}), flush=True)

    def _report(self) -> Response:
        try:
            body = None if self.report is None else self.report.read_bytes()
        except OSError:
            body = None
        if body is None:
            return _text(http.HTTPStatus.NOT_FOUND, "There is no report yet: it comes after a song.\n")
        policy = (
            "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
            "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
        )
        return _page(body, policy)


def _is_ours(name: str, host: str) -> bool:
    """Whether the name in a request's Host can be ours: the name that we were given, this machine's, or an address in
    figures.

    A page of somebody else's whose name has been made to lead here is asked for by that name.
    """
    with contextlib.suppress(ValueError):
        ipaddress.ip_address(name)
        return True
    machine = socket.gethostname().lower()
    return name in ("localhost", host.lower(), machine, f"{machine}.local")  # the last by multicast DNS (RFC 6762)


def _text(status: http.HTTPStatus, body: str) -> Response:
    data = body.encode()
    headers = Headers([("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(data)))])
    headers["Connection"] = "close"
    return Response(status.value, status.phrase, headers, data)


def _page(data: bytes, policy: str) -> Response:
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


async def _serve(host: str, address: str, port: int, code: str) -> None:
    stand = _Stand(host, code)
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[bytes] = asyncio.Queue()
    here().stand_back()  # the page may wait; the band may not
    server: Server = await serve(
        stand.tell, address, port, process_request=stand.answer, compression=None, max_size=1024, open_timeout=5,
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


def run(host: str, address: str, port: int, code: str) -> None:
    """Serve until standard input ends. A port that cannot be had is said in one line."""
    try:
        asyncio.run(_serve(host, address, port, code))
    except OSError as error:
        print(error.strerror or str(error), flush=True)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        raise SystemExit(130) from None
