"""What a host is like: which programs to ask, and what their answers mean.

Nothing is run here. `observing` is a conversation: it yields what is to be run, is sent what that
printed, and returns the state. Answers are hostile: whatever is not what the program is known to
print ends in `Unobservable`, with the command in words.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Collection, Generator, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from netcharter.diagnostics.escape import terminal
from netcharter.rollout import network, placing
from netcharter.rollout.escape import Unsayable, setting_name, table_name
from netcharter.rollout.listing import Unlisted, settled
from netcharter.rollout.shapes import (
    Choice,
    Family,
    HostState,
    Route,
    Run,
    Running,
    Table,
)

OURS = ("inet", "netcharter")
WATCHING = ("inet", "netcharter_watch")  # changes nothing and goes again: no part of a state
SETTINGS = "/proc/sys/"
TO_COME = "net/ipv4/conf/default/"

T = TypeVar("T")
_QDISC = re.compile(r"qdisc (\S+) (\S+) dev (\S+) (.*)", re.DOTALL)
_COUNTED = re.compile(r" (?:refcnt|direct_packets_stat) \d+")
_CLASSFUL = frozenset({"htb", "hfsc", "drr", "qfq", "ets", "cbq"})


@dataclass(frozen=True, slots=True)
class Said:
    """What a program answered. code: its exit."""

    code: int
    out: bytes
    err: bytes = b""


class Unobservable(Exception):
    """The host could not be read. command: what was asked; why: what was wrong with the answer."""

    def __init__(self, command: str, why: str) -> None:
        super().__init__(command, why)
        self.command = terminal(command)
        self.why = terminal(why)

    def __str__(self) -> str:
        return f"the host can't be read: `{self.command}`: {self.why}"


Asking = Generator[Run, Said, T]


def observing(
    at: float, settings: Collection[str] = (), units: Collection[str] = ()
) -> Asking[HostState]:
    """Ask a host for its state.

    at: the clock that counts from boot, read just before; settings: names that matter beside those
    of devices that change along with them, and with forwarding. One that is not there is left out;
    units: services that a service manager is asked for.
    Each value yielded is a Run; send what it printed as `Said`. Raises Unobservable.
    """
    links = yield from _records(("ip", "-j", "-d", "link", "show"), network.link)
    held = yield from _records(("ip", "-j", "addr", "show"), lambda r: list(network.addresses(r)))
    routes: list[Route | None] = []
    choices: list[Choice | None] = []
    for family in (4, 6):
        found, chosen = yield from _ways(family)
        routes += found
        choices += chosen
    tables = yield from _tables()
    names = [link.name for link in links]
    known = yield from _settings({*settings, *forwarding(names), *_to_come(settings, names)})
    shaping = yield from _shaping()
    services = yield from _services(units)
    each = [pair for pairs in held for pair in pairs]
    return HostState(
        at=at,
        links=tuple(sorted(links, key=lambda link: link.name)),
        addresses=network.in_order(held for held, lent in each if not lent),
        routes=tuple(sorted(filter(None, routes), key=lambda r: (r.family, r.words))),
        choices=in_turn(filter(None, choices)),
        tables=tables,
        settings=known,
        shaping=shaping,
        lent=network.in_order(held for held, lent in each if lent),
        services=services,
    )


def in_turn(choices: Iterable[Choice]) -> tuple[Choice, ...]:
    """Choices in the order in which they are asked, and by their words where that is the same."""
    return tuple(sorted(choices, key=lambda c: (c.family, network.preference(c), c.words)))


def forwarding(devices: Iterable[str]) -> Iterator[str]:
    """The settings that a change of forwarding changes along, and those that keep addresses."""
    names = ["default", *devices]
    yield from ("net/ipv4/ip_forward", "net/ipv6/conf/all/forwarding")
    yield "net/ipv4/conf/all/accept_redirects"
    for name in names:
        yield f"net/ipv4/conf/{name}/forwarding"
        yield f"net/ipv6/conf/{name}/forwarding"
        yield f"net/ipv4/conf/{name}/promote_secondaries"


def _to_come(settings: Iterable[str], devices: Collection[str]) -> Iterator[str]:
    """The settings of devices that change along with those for IPv4 devices to come."""
    for name in settings:
        if name.startswith(TO_COME):
            yield from (
                f"net/ipv4/conf/{device}/{name.removeprefix(TO_COME)}" for device in devices
            )


# --- asking --------------------------------------------------------------------------------------


def _said(argv: tuple[str, ...], fails: bool = True) -> Asking[str]:
    said = yield Run(argv, fails=fails)
    if fails and said.code != 0:
        words = said.err.decode("utf-8", "replace").strip()[:300]
        raise Unobservable(" ".join(argv), f"it ended with {said.code}: {words or 'no words'}")
    return said.out.decode("utf-8", "surrogateescape")


def _records(argv: tuple[str, ...], shape: Callable[[Any], T]) -> Asking[list[T]]:
    text = yield from _said(argv)
    return _shaped(argv, text, shape)


def _shaped(argv: tuple[str, ...], text: str, shape: Callable[[Any], T]) -> list[T]:
    """JSON, a list of objects, each given to `shape`."""
    command = " ".join(argv)
    try:
        rows = json.loads(text or "[]", strict=False, object_pairs_hook=_object)
        if not isinstance(rows, list):
            raise TypeError("a list is expected")
        return [shape(row) for row in rows if row]
    except RecursionError:
        raise Unobservable(command, "its answer is nested too deep") from None
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, OverflowError) as problem:
        why = f"its answer is not what it is known to say ({type(problem).__name__}: {problem})"
        raise Unobservable(command, why[:300]) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A key that comes twice (an encapsulation has a `dst` of its own) makes a record unknown."""
    found = dict(pairs)
    return found if len(found) == len(pairs) else {**found, "twice": True}


def _ways(family: Family) -> Asking[tuple[list[Route | None], list[Choice | None]]]:
    ip = ("ip", f"-{family}", "-j", "-d", "-N")
    routes = yield from _records(
        (*ip, "route", "show", "table", "all"), lambda record: network.route(family, record)
    )
    choices = yield from _records(
        (*ip, "rule", "show"), lambda record: network.choice(family, record)
    )
    return routes, choices


def _tables() -> Asking[tuple[Table, ...]]:
    argv = ("nft", "-j", "list", "tables")
    text = yield from _said(argv)
    names = _shaped(argv, f"[{text}]" if text.strip() else "", _table_names)
    found: list[Table] = []
    for family, name in (pair for pairs in names for pair in pairs if pair != WATCHING):
        found.append((yield from _table(family, name)))
    return tuple(sorted(found, key=lambda table: (table.family, table.name)))


def _table_names(document: Any) -> list[tuple[str, str]]:
    found = [entry["table"] for entry in document["nftables"] if "table" in entry]
    return [(str(entry["family"]), str(entry["name"])) for entry in found]


def _table(family: str, name: str) -> Asking[Table]:
    """A table. Text "": it can't be listed; so it is known to be there, and left alone."""
    try:
        table_name(family, name)
    except Unsayable:
        return Table(family, name, "")
    ours = (family, name) == OURS
    where = ("list", "table", family, name)
    text = yield from _said(("nft", "-s", *where), fails=ours)
    full = yield from _said(("nft", *where), fails=ours)
    try:
        return Table(family, name, *settled(text, full))
    except Unlisted as problem:
        if ours:
            raise Unobservable(f"nft list table {family} {name}", str(problem)) from None
        return Table(family, name, text)


def _settings(names: Collection[str]) -> Asking[dict[str, str]]:
    asked = {name: None for name in sorted(names) if setting_name(name)}
    text = yield from _said(("grep", "-sH", "", "--", *(SETTINGS + n for n in asked)), fails=False)
    found: dict[str, str] = {}
    for line in text.splitlines():
        path, colon, value = line.partition(":")
        name = path.removeprefix(SETTINGS)
        if not colon or name not in asked or name in found:
            raise Unobservable("grep -sH '' /proc/sys/...", f"an unexpected line: {line[:120]}")
        found[name] = value
    return found


def _services(units: Collection[str]) -> Asking[dict[str, Running]]:
    if not units:
        return {}
    run = placing.question(units)
    text = yield from _said(run.argv)
    try:
        return placing.answer(units, text)
    except ValueError as problem:
        raise Unobservable("systemctl show", str(problem)) from None


def _shaping() -> Asking[dict[str, str]]:
    """What somebody set up; the queues that a device has by itself (handle 0:) do not count."""
    text = yield from _said(("tc", "qdisc", "show"))
    found: dict[str, list[str]] = {}
    classful: list[str] = []
    for each in re.split(r"\n(?=qdisc )", text.strip()):
        match = _QDISC.match(each)
        if match is None:
            if each:
                raise Unobservable("tc qdisc show", f"an unexpected line: {each[:120]}")
            continue
        kind, handle, device, rest = match.groups()
        if handle == "0:":
            continue
        found.setdefault(device, []).append(
            _COUNTED.sub("", f"qdisc {kind} {handle} {rest}").rstrip()
        )
        if kind in _CLASSFUL and device not in classful:
            classful.append(device)
    for device in classful:
        text = yield from _said(("tc", "class", "show", "dev", device), fails=False)
        found[device] += sorted(line.rstrip() for line in text.splitlines())
    return {device: "\n".join(lines) for device, lines in found.items()}
