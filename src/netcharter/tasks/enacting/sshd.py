"""The connection of an SSH session where no environment tells of it: by the sshd that it runs below.

What takes a process's place takes its environment away too, and then nothing above says
SSH_CONNECTION. The sshd of the session holds its connection open (proc(5): `fd`, `net/tcp`).
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv6Address
from pathlib import Path

NAMES = frozenset({"sshd", "sshd-session"})  # of OpenSSH; the second from 9.8 on, from memory
_ESTABLISHED = "01"  # include/net/tcp_states.h
_SOCKET = re.compile(r"socket:\[(\d+)\]")


def connection_of(pid: int) -> str:
    """What SSH_CONNECTION would say of the session of an sshd; nothing where it is none, or may
    not be looked at. Of several connections, those that are forwarded come later."""
    return next(connections(pid), "") if _name(pid) in NAMES else ""


def connections(pid: int) -> Iterator[str]:
    """The TCP connections that a process has open, in the order in which it has them: the other
    side's address and port, its own address and port."""
    rows = dict(_rows(pid))
    yield from (rows[one] for one in _sockets(pid) if one in rows)


def _name(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text("ascii", "replace").strip()
    except OSError:
        return ""


def _sockets(pid: int) -> Iterator[str]:
    """The inodes of a process's sockets, by the number of the descriptor."""
    folder = f"/proc/{pid}/fd"
    try:
        numbers = sorted(os.listdir(folder), key=int)
    except OSError:
        return
    for number in numbers:
        try:
            found = _SOCKET.fullmatch(os.readlink(f"{folder}/{number}"))
        except OSError:  # closed meanwhile
            continue
        if found is not None:
            yield found.group(1)


def _rows(pid: int) -> Iterator[tuple[str, str]]:
    """Inode and ends of the connections in the network namespace of a process."""
    for name in ("tcp", "tcp6"):
        try:
            lines = Path(f"/proc/{pid}/net/{name}").read_text("ascii", "replace").splitlines()
        except OSError:
            continue
        for line in lines[1:]:
            words = line.split()
            if len(words) > 9 and words[3] == _ESTABLISHED:
                yield words[9], f"{_end(words[2])} {_end(words[1])}"


def _end(text: str) -> str:
    """An address and port, which the kernel writes as 32-bit numbers of its own byte order."""
    address, _, port = text.partition(":")
    numbers = [int(address[at : at + 8], 16) for at in range(0, len(address), 8)]
    data = b"".join(number.to_bytes(4, sys.byteorder) for number in numbers)
    return f"{IPv4Address(data) if len(data) == 4 else IPv6Address(data)} {int(port, 16)}"
