"""Visits come in over HTTP, replies go out; requests for release are written down.

One visit after the other is answered, in a thread beside the loop: the loop stays free to end who is
slow. Nothing is noted about visits. Port 80 alone, never a certificate: a browser that asks for https
finds the port closed, and says so at once.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import socket
import sys
import time
from collections.abc import Awaitable, Callable, Iterable, MutableMapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

import uvicorn
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response

from netcharter.gate.limits import Meter
from netcharter.gate.requests import Box, over
from netcharter.gate.server.bounded import Places, bounded
from netcharter.gate.server.folder import RequestFolder
from netcharter.gate.server.reading import opened, text_of
from netcharter.gate.settings import Address, Settings
from netcharter.gate.times import MOST, Told, told
from netcharter.gate.visits import HEADERS, LARGEST_FORM, Gate, Reply, Visit, answered, source_of
from netcharter.rollout.trouble import EffectFailed

PORT = 80
BACKLOG = 64
LARGEST_HEAD = 16_384  # bytes of a request line with its headers
TIDY = 3_600.0  # seconds between two looks for requests that have been kept long enough
_FREEBIND = {
    socket.AF_INET: (socket.IPPROTO_IP, 15),  # ip(7), IP_FREEBIND
    socket.AF_INET6: (socket.IPPROTO_IPV6, 78),  # linux/in6.h, IPV6_FREEBIND
}
_NO_HEADERS = {key: value for key, value in HEADERS.items() if key != "content-security-policy"}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


class Pages:
    """The pages as an ASGI application. say: one line for the journal, about what goes wrong here."""

    def __init__(
        self, settings: Settings, folder: RequestFolder, say: Callable[[str], None]
    ) -> None:
        self._settings, self._folder, self._say = settings, folder, say
        self._secret, self._meter = secrets.token_bytes(32), Meter()
        self._turn = asyncio.Lock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        with suppress(ClientDisconnect):
            visit = await _visit(request)
            response = await self._response(visit)
            await response(scope, receive, send)

    async def _response(self, visit: Visit | None) -> Response:
        if visit is None:
            return PlainTextResponse("Who are you?", 400, headers=_NO_HEADERS)
        try:
            async with self._turn:
                reply = await run_in_threadpool(self._answer, visit)
        except Exception as fault:  # noqa: BLE001 - whatever it was, the next visit is answered
            self._say(f"a page could not be made: {_where(fault)}")
            return PlainTextResponse("Something went wrong here.", 500, headers=_NO_HEADERS)
        return HTMLResponse(reply.page, reply.status, headers=dict(reply.headers))

    def _answer(self, visit: Visit) -> Reply:
        with opened() as stores_of:
            gate = Gate(self._settings, self._secret, self._meter, stores_of, self._told, self._box)
            reply = answered(gate, visit, datetime.now(UTC), time.monotonic())
        if reply.keep is None:
            return reply
        try:
            self._folder.keep(*reply.keep)
        except EffectFailed as fault:
            self._say(f"a request could not be kept: {fault}")
            return Reply(503, reply.unkept, reply.headers)
        return reply

    def _told(self, now: datetime) -> Told:
        return told(text_of(self._settings.told, MOST), now)

    def _box(self) -> Box:
        self.tidy()
        return self._folder.box()

    def tidy(self) -> None:
        """What has been kept long enough goes. Raises OSError."""
        for number in over(self._folder.box(), datetime.now(UTC)):
            self._folder.drop(number)

    async def keep_tidy(self) -> None:
        """For ever."""
        while True:
            try:
                async with self._turn:
                    await run_in_threadpool(self.tidy)
            except Exception as fault:  # noqa: BLE001 - whatever it was, the next time may be better
                why = fault.strerror if isinstance(fault, OSError) else _where(fault)
                self._say(f"old requests can't be taken away: {why}")
            await asyncio.sleep(TIDY)


async def _visit(request: Request) -> Visit | None:
    """None where nobody can say who it is from."""
    source = source_of(request.client.host) if request.client else None
    if source is None:
        return None
    header = request.headers.get
    return Visit(
        method=request.method,
        host=header("host", ""),
        path=request.url.path if len(request.scope["raw_path"]) < 2_000 else "",
        source=source,
        kind=header("content-type", ""),
        origin=header("origin", ""),
        body=await _body(request) if request.method == "POST" else b"",
    )


async def _body(request: Request) -> bytes | None:
    found = bytearray()
    async for piece in request.stream():
        found += piece
        if len(found) > LARGEST_FORM:
            return None
    return bytes(found)


def _where(fault: BaseException) -> str:
    """What kind of fault, and where: never what somebody sent."""
    at = fault.__traceback__
    while at is not None and at.tb_next is not None:
        at = at.tb_next
    place = f" at {at.tb_frame.f_code.co_name}, line {at.tb_lineno}" if at is not None else ""
    return type(fault).__name__ + place


def listening(addresses: Iterable[Address], port: int) -> list[socket.socket]:
    """A socket for each of these addresses, whether it is there yet or not. Raises OSError."""
    found: list[socket.socket] = []
    try:
        for address in addresses:
            family = socket.AF_INET if address.version == 4 else socket.AF_INET6
            one = socket.socket(family, socket.SOCK_STREAM)
            found.append(one)
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.setsockopt(*_FREEBIND[family], 1)
            if family == socket.AF_INET6:
                one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            one.bind((str(address), port))
    except BaseException:
        for one in found:
            one.close()
        raise
    return found


def configured(pages: Pages, places: Places) -> uvicorn.Config:
    """How uvicorn is to run. It trusts no header about who asks, and tells nothing of itself."""
    logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
    return uvicorn.Config(
        pages, loop="asyncio", http=bounded(places), ws="none", lifespan="off", log_config=None,
        access_log=False, proxy_headers=False, server_header=False, backlog=BACKLOG,
        timeout_keep_alive=5, timeout_graceful_shutdown=5,
        h11_max_incomplete_event_size=LARGEST_HEAD,
    )  # fmt: skip


async def _run(pages: Pages, sockets: Sequence[socket.socket], places: Places) -> None:
    server = uvicorn.Server(configured(pages, places))
    tidying = asyncio.create_task(pages.keep_tidy())
    try:
        await server.serve(sockets=list(sockets))
    finally:
        tidying.cancel()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def serve(
    settings: Settings, folder: str, port: int = PORT, ready: Callable[[], None] = lambda: None
) -> None:
    """Serve the pages until a signal ends it. folder: of requests; ready: called once somebody who
    comes is taken in. Raises OSError where an address can't be listened at."""
    sockets = listening(settings.listens, port)
    for one in sockets:
        one.listen(BACKLOG)
    ready()
    asyncio.run(_run(Pages(settings, RequestFolder(folder), _say), sockets, Places()))
