"""The steward's socket: who may speak, how long a line may be, and how long anybody is heard."""

from __future__ import annotations

import asyncio
import grp
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from typing import Any

from netcharter.steward import protocol
from netcharter.steward.protocol import Ask, NotUnderstood

_PEER = struct.Struct("=iII")  # struct ucred of unix(7): process, user, group
Answerer = Callable[[Ask, str], Awaitable[Mapping[str, Any]]]


class Door:
    """The socket at a path, open between `open` and `close`. group: who may speak besides root."""

    def __init__(self, path: str, group: str, answer: Answerer) -> None:
        self._path = path
        self._group = group
        self._answer = answer
        self._clients = 0
        self._server: asyncio.AbstractServer | None = None

    async def open(self) -> None:
        """Begin to listen. Raises OSError, also where another steward listens there."""
        if _listened_to(self._path):
            raise OSError("another steward listens there")
        with suppress(FileNotFoundError):
            os.unlink(self._path)
        mask = os.umask(0o117)
        try:
            self._server = await asyncio.start_unix_server(
                self._serve, self._path, limit=protocol.MOST_LINE
            )
        finally:
            os.umask(mask)
        with suppress(KeyError, OSError):  # no such group, or no power to give it away
            os.chown(self._path, -1, grp.getgrnam(self._group).gr_gid)

    async def close(self) -> None:
        """End listening; the path goes."""
        if self._server is not None:
            self._server.close()
            with suppress(FileNotFoundError):
                os.unlink(self._path)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients += 1
        try:
            who = _speaker(writer, self._group)
            if who is None:
                await _say(writer, protocol.refusal("you may not speak with the steward"))
            elif self._clients > protocol.MOST_CLIENTS:
                await _say(writer, protocol.refusal("too many speak at once; try again"))
            else:
                await self._converse(reader, writer, who)
        except (TimeoutError, ConnectionError):
            pass
        finally:
            self._clients -= 1
            writer.close()

    async def _converse(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, who: str
    ) -> None:
        for _ in range(protocol.MOST_REQUESTS):
            async with asyncio.timeout(protocol.PATIENCE):
                try:
                    line = await reader.readline()
                except ValueError:  # longer than the limit
                    line = b""
                    await _say(writer, protocol.refusal("the line is too long"))
            if not line.endswith(b"\n"):
                return
            try:
                answer = await self._answer(protocol.understood(line), who)
            except NotUnderstood as fault:
                answer = protocol.refusal(str(fault))
            await _say(writer, answer)


async def _say(writer: asyncio.StreamWriter, answer: Mapping[str, Any]) -> None:
    async with asyncio.timeout(protocol.PATIENCE):
        writer.write(protocol.line(answer))
        await writer.drain()


def _speaker(writer: asyncio.StreamWriter, group: str) -> str | None:
    """Who is at the other end, by the kernel's word (SO_PEERCRED); None: who may not speak."""
    channel: socket.socket = writer.get_extra_info("socket")
    said = channel.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEER.size)
    _, user, its_group = _PEER.unpack(said)
    try:
        name = pwd.getpwuid(user).pw_name
    except KeyError:
        name = f"user {user}"
    return name if may_speak(user, its_group, name, group) else None


def may_speak(user: int, its_group: int, name: str, group: str) -> bool:
    """Root, whoever runs the steward, and members of the group."""
    if user in (0, os.geteuid()):
        return True
    try:
        found = grp.getgrnam(group)
    except KeyError:
        return False
    return its_group == found.gr_gid or name in found.gr_mem


def _listened_to(path: str) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(1.0)
        try:
            channel.connect(path)
        except OSError:
            return False
        return True


def ask(path: str, request: Mapping[str, Any], patience: float = protocol.PATIENCE) -> bytes:
    """The answer to one request, as a line. Raises OSError; ConnectionError for a broken answer."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as channel:
        channel.settimeout(patience)
        channel.connect(path)
        with suppress(BrokenPipeError):  # refused without being heard: what was said is there
            channel.sendall(protocol.line(request))
        found = b""
        while not found.endswith(b"\n"):
            part = channel.recv(1 << 16)
            if not part or len(found) > protocol.MOST_ANSWER:
                raise ConnectionError("the steward broke off")
            found += part
        return found
