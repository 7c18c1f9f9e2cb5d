"""Settings and lease files in the form of the ISC DHCP server: statements and blocks in braces.

Written after dhcpd.conf(5) and dhcpd.leases(5): subnet, subnet6, shared-network, pool, group and
host declarations, range and range6, `option routers`, `option host-name`, `fixed-address`,
`hardware`; lease declarations with starts, ends, binding state, hardware, client-hostname, and
iaaddr within ia-na. Both files share one grammar, and one reader reads either.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from ipaddress import IPv4Network, IPv6Network, ip_network
from typing import NamedTuple

from netcharter.charter.model import Address, Network
from netcharter.charter.values import quoted
from netcharter.diagnostics import Span
from netcharter.tasks.inheriting.lines import Line, Told, address_of, good_lines, hardware_of
from netcharter.tasks.inheriting.shapes import Held, Lease, Pool, Reservation

TOKEN = re.compile(
    r'[ \t]+|(?P<comment>#.*)|(?P<text>"(?:[^"\\]|\\.)*")|(?P<mark>[;{}])|(?P<word>[^\s;{},"#]+|,)|(?P<bad>.)'
)
MOST_DEPTH = 40  # blocks within blocks
LONGEST_STATEMENT = 400  # words
IN_USE = frozenset(("active", "bootp"))
LAST_SECOND = 253_402_300_799  # of the year 9999
MOMENT = re.compile(r"([0-9]{4})/([0-9]{1,2})/([0-9]{1,2})")
CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2}):([0-9]{2})")


class _Word(NamedTuple):
    """One word of a statement: its text, without quotes, and its place."""

    text: str
    line: Line
    start: int
    end: int


@dataclass(slots=True)
class _Block:
    """One declaration while it is being read; what it does not say itself, its outer ones may."""

    kind: str
    words: tuple[_Word, ...]
    outer: _Block | None
    depth: int
    span: Span | None = None
    routers: tuple[Address, ...] = ()
    network: Network | None = None
    ranges: list[tuple[Address, Address, Span]] = field(default_factory=list)
    hardware: list[int] = field(default_factory=list)
    addresses: list[Address] = field(default_factory=list)
    name: str = ""
    notes: list[str] = field(default_factory=list)
    until: datetime | None = None
    active: bool = True
    client: str = ""
    refused: bool = False
    deleted: bool = False


@dataclass(slots=True)
class _Found:
    told: Told
    reservations: list[Reservation] = field(default_factory=list)
    pools: list[Pool] = field(default_factory=list)
    leases: dict[Address, Lease] = field(default_factory=dict)
    domains: list[str] = field(default_factory=list)
    skipping: int = 0  # depth of blocks that are nested too deep
    ended: int = 0  # the line on which the last host ends


def read_dhcpd(data: str | bytes, name: str) -> Held:
    """A file of settings or of leases. Of several leases of one address the last one counts."""
    found = _Found(Told(name))
    block = _Block("", (), None, 0)
    words: list[_Word] = []
    line = Line(1, "")
    for line in good_lines(data, found.told):
        for token in TOKEN.finditer(line.text):
            kind = token.lastgroup
            if kind == "word" or kind == "text":
                words.append(_word(token, kind, line))
            elif kind == "mark":
                block = _mark(found, block, words, _word(token, kind, line))
                words = []
            elif kind == "comment":
                _comment(found, block, line, token.group().lstrip("# ").strip())
            elif kind == "bad":
                span = found.told.span(line, token.start())
                found.told.unread("a quote that is not closed", span)
                break
        del words[LONGEST_STATEMENT:]
    _end(found, block, words, line)
    return Held(
        reservations=tuple(found.reservations),
        leases=tuple(found.leases.values()),
        pools=tuple(found.pools),
        domains=tuple(dict.fromkeys(found.domains)),
        problems=found.told.all(),
    )


def _comment(found: _Found, block: _Block, line: Line, text: str) -> None:
    """A comment belongs to the block it stands in, or to the host that ends on its line."""
    if found.ended == line.number and found.reservations:
        last = found.reservations[-1]
        note = "; ".join(filter(None, (last.note, text)))
        found.reservations[-1] = replace(last, note=note)
    else:
        block.notes.append(text)


def _word(token: re.Match[str], kind: str, line: Line) -> _Word:
    text = token.group()
    return _Word(text[1:-1] if kind == "text" else text, line, token.start(), token.end())


def _mark(found: _Found, block: _Block, words: list[_Word], at: _Word) -> _Block:
    """A statement ends, or a block begins or ends; returns the block that goes on."""
    mark = at.text
    if found.skipping and mark in "{}":
        found.skipping += 1 if mark == "{" else -1
        return block
    if mark == "{":
        return _opened(found, block, words, at)
    if words and not found.skipping:
        _statement(found, block, words)
    if mark == ";":
        return block
    if block.outer is None:
        found.told.unread("a brace that closes nothing", found.told.span(at.line, at.start, at.end))
        return block
    _closed(found, block)
    found.ended = at.line.number if block.kind == "host" else 0
    return block.outer


def _opened(found: _Found, block: _Block, words: list[_Word], at: _Word) -> _Block:
    if block.depth >= MOST_DEPTH:
        found.told.unread(f"more than {MOST_DEPTH} blocks within each other",
                          found.told.span(at.line, at.start, at.end))  # fmt: skip
        found.skipping = 1
        return block
    first = words[0] if words else at
    kind = first.text.lower()
    inner = _Block(kind, tuple(words), block, block.depth + 1)
    last = words[-1] if words and words[-1].line is first.line else first
    inner.span = found.told.span(first.line, first.start, last.end)
    inner.routers = block.routers
    inner.refused = block.refused and kind == "host"
    if kind in ("subnet", "subnet6"):
        inner.network = _network(inner)
        if inner.network is None:
            found.told.unread("a subnet that is none", inner.span, _spelt(words))
    else:
        inner.network = block.network
    if kind in ("host", "lease", "iaaddr"):
        inner.name = words[1].text if len(words) > 1 else ""
    return inner


def _spelt(words: Sequence[_Word]) -> str:
    return quoted(" ".join(word.text for word in words[:12]))


def _network(block: _Block) -> IPv4Network | IPv6Network | None:
    """`subnet 192.0.2.0 netmask 255.255.255.0` or `subnet6 2001:db8::/64`."""
    said = [word.text for word in block.words]
    try:
        if block.kind == "subnet" and len(said) == 4 and said[2].lower() == "netmask":
            return IPv4Network(f"{said[1]}/{said[3]}")
        return IPv6Network(said[1]) if block.kind == "subnet6" else None
    except (ValueError, IndexError):
        return None


def _end(found: _Found, block: _Block, words: list[_Word], line: Line) -> None:
    """The file ends: what is open by then was cut off, and is taken as far as it goes."""
    if block.outer is None and not words:
        return
    found.told.unread("the file ends within a statement", found.told.span(line),
                      "it was cut off, or a brace is missing")  # fmt: skip
    while block.outer is not None:
        if block.kind != "lease":  # half a lease says nothing: an earlier one may be whole
            _closed(found, block)
        block = block.outer


# Statements


def _statement(found: _Found, block: _Block, words: Sequence[_Word]) -> None:
    said = [word.text for word in words]
    key = said[0].lower()
    if key == "option" and len(said) > 1:
        key = f"option {said[1].lower()}"
        said = said[1:]
    span = found.told.span(words[0].line, words[0].start, words[-1].end)
    if words[0].line is not words[-1].line:
        span = found.told.span(words[0].line, words[0].start)
    take = _TAKES.get(key)
    if take is not None:
        take(found, block, [text for text in said[1:] if text != ","], span)


def _hardware(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    number = hardware_of(said[1]) if len(said) == 2 and said[0].lower() == "ethernet" else None
    if number is not None:
        block.hardware.append(number)
    elif len(said) == 2 and said[0].lower() != "ethernet":
        found.told.left_out("a hardware address that is not Ethernet's", span, quoted(said[0]))
    else:
        found.told.unread("a hardware address", span, quoted(" ".join(said)))


def _fixed(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    for text in said:
        address = address_of(text)
        if address is not None:
            block.addresses.append(address)
        else:
            found.told.left_out("a fixed address that is given as a name", span, quoted(text),
                                "write the address itself")  # fmt: skip


def _routers(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    block.routers = tuple(a for a in map(address_of, said) if a is not None)


def _range(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    plain = [text for text in said if text.lower() != "dynamic-bootp"]
    ends = list(_ends(plain))
    if len(ends) == 2 and ends[0].version == ends[1].version and int(ends[0]) <= int(ends[1]):
        block.ranges.append((ends[0], ends[1], span))
    else:
        found.told.unread("a range that is none", span, quoted(" ".join(said)))


def _ends(said: Sequence[str]) -> Iterator[Address]:
    """First and last address of `low`, `low high` or `prefix/length`."""
    if len(said) == 1 and "/" in said[0]:
        try:
            network = ip_network(said[0])
        except ValueError:
            return
        yield from (network[0], network[-1])
        return
    found = [address_of(text) for text in said[:2]]
    yield from (a for a in (found * 2)[:2] if a is not None)


def _host_name(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    if block.kind == "host" and said:
        block.name = said[0]


def _client_name(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    block.name = said[0] if said else ""


def _client(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    block.client = said[0] if said else ""


def _state(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    if len(said) == 2 and said[0].lower() == "state":
        block.active = said[1].lower() in IN_USE


def _abandoned(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    block.active = False


def _ends_at(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    """`never`, `epoch SECONDS`, or a weekday's number, the date and the time in UTC."""
    if [text.lower() for text in said] == ["never"]:
        block.until = None
        return
    block.until = _moment(said)
    if block.until is None:
        found.told.unread("a moment that is none", span, quoted(" ".join(said)))


def _moment(said: Sequence[str]) -> datetime | None:
    if len(said) == 2 and said[0].lower() == "epoch" and re.fullmatch(r"[0-9]{1,12}", said[1]):
        return datetime.fromtimestamp(min(int(said[1]), LAST_SECOND), UTC)
    if len(said) < 3:
        return None
    day, clock = MOMENT.fullmatch(said[1]), CLOCK.fullmatch(said[2])
    if day is None or clock is None:
        return None
    try:
        return datetime(*map(int, (*day.groups(), *clock.groups())), tzinfo=UTC)  # type: ignore[arg-type,misc]
    except ValueError:
        return None


def _deleted(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    block.deleted = True


def _refusing(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    if said and said[0].lower() == "booting":
        block.refused = True


def _include(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    if said:
        found.told.unfollowed(said[0], span)


def _domain(found: _Found, block: _Block, said: Sequence[str], span: Span) -> None:
    if said and re.fullmatch(r"[A-Za-z0-9._-]{1,253}", said[0]):
        found.domains.append(said[0])


_Take = Callable[[_Found, _Block, Sequence[str], Span], None]
_TAKES: dict[str, _Take] = {
    "hardware": _hardware,
    "fixed-address": _fixed,
    "fixed-address6": _fixed,
    "option routers": _routers,
    "option host-name": _host_name,
    "option domain-name": _domain,
    "range": _range,
    "range6": _range,
    "client-hostname": _client_name,
    "uid": _client,
    "binding": _state,
    "abandoned": _abandoned,
    "ends": _ends_at,
    "deleted": _deleted,
    "deny": _refusing,
    "ignore": _refusing,
    "include": _include,
}


# Blocks


def _closed(found: _Found, block: _Block) -> None:
    """A declaration is complete."""
    assert block.span is not None and block.outer is not None
    if block.kind in ("subnet", "subnet6") and block.network is not None:
        plain = Pool(None, None, block.span, block.network, routers=block.routers)
        found.pools += _pools(plain, block.ranges) or [plain]
    elif block.kind == "host":
        _host(found, block, block.span)
    elif block.kind in ("lease", "iaaddr"):
        _lease(found, block, block.span)
    elif block.kind in ("pool", "pool6"):
        block.outer.ranges += block.ranges
    elif block.kind == "shared-network":
        _shared(found, block)


def _pools(plain: Pool, ranges: Sequence[tuple[Address, Address, Span]]) -> list[Pool]:
    return [replace(plain, first=low, last=high, span=span) for low, high, span in ranges]


def _shared(found: _Found, block: _Block) -> None:
    """Pools beside the subnets of one wire belong to the subnet that holds them."""
    for low, high, span in block.ranges:
        home = next((p for p in found.pools if p.network and low in p.network), None)
        network = home.network if home else None
        routers = home.routers if home else block.routers
        found.pools.append(Pool(low, high, span, network, routers=routers))


def _host(found: _Found, block: _Block, span: Span) -> None:
    if block.deleted:
        found.reservations = [r for r in found.reservations if r.name != block.name]
        return
    if not block.hardware and not block.addresses:
        found.told.left_out("a host without hardware address and address", span, quoted(block.name),
                            "find out its hardware address")  # fmt: skip
        return
    note = "; ".join(filter(None, block.notes))
    hardware, addresses = tuple(block.hardware), tuple(block.addresses)
    found.reservations.append(
        Reservation(block.name, hardware, addresses, span, note=note, ignored=block.refused)
    )


def _lease(found: _Found, block: _Block, span: Span) -> None:
    said = block.words[1].text if len(block.words) > 1 else ""
    address = address_of(said)
    if address is None:
        found.told.unread("a lease of no address", span, quoted(said))
        return
    hardware = block.hardware[-1] if block.hardware else None
    name = "" if block.name == said else block.name
    lease = Lease(address, hardware, name, span, block.client, block.until, block.active)
    found.leases[address] = lease
