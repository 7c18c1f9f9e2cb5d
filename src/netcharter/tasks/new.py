"""`new`: a short conversation about a site. What comes of it is written by `first_charter`.

The conversation is data: each question carries its words, its default and what makes an answer
a value. Whoever can ask a question and return what was answered can hold it (a terminal, a test).
Every default is a good answer, whatever was answered before.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from ipaddress import IPv4Interface, IPv4Network, IPv6Interface, IPv6Network
from typing import Any, Generic, Literal, TypeVar

from netcharter.charter import values
from netcharter.charter.model import Address, Interface, Network
from netcharter.charter.services import Part, builtin, parse_written
from netcharter.charter.values import Wrong, quoted
from netcharter.charter.words import by_letters, by_meaning, suggest
from netcharter.diagnostics.escape import terminal
from netcharter.plan.addressing import ula
from netcharter.plan.coding import MAX_LINES
from netcharter.plan.packing import POOL4
from netcharter.tasks.first_charter import (
    ADMINISTERING,
    KINDS,
    OWN_PLACES,
    Answers,
    AreaAnswer,
    LineAnswer,
    Port,
    ServerAnswer,
    to_fill_in,
    write_charter,
)
from netcharter.tasks.sources import unusable

__all__ = ["Answers", "Ask", "Question", "converse", "to_fill_in", "write_charter"]

T = TypeVar("T")

TRIES = 5  # wrong answers to one question before the conversation ends
LONGEST = 400  # characters of one answer
MOST_AREAS = 12  # fewer than the fifteen /64 that the smallest prefix of a line has to give
MOST_HOSTS = 10_000
ENTROPY = 16  # bytes
LATER = "later"
SEPARATOR = re.compile(r"\s*[,;]\s*|\s+and\s+")
IFNAMSIZ = 15  # characters of a network interface's name in Linux
LEAST4, MOST4 = 12, 31  # prefix lengths of a line's IPv4 network that leave room for areas
LEAST6, MOST6 = 48, 127
HOST4 = tuple(map(IPv4Network, ("0.0.0.0/8", "127.0.0.0/8", "169.254.0.0/16", "224.0.0.0/3")))
GLOBAL6 = IPv6Network("2000::/3")


@dataclass(frozen=True, slots=True)
class Question(Generic[T]):
    """One thing to ask.

    take: makes an answer (or the default) a value, or raises `Wrong` with what to say;
    problem: what was wrong with the answer before, when the question is asked again. It is safe
    to print.
    """

    id: str
    prompt: str
    help: str
    default: str
    take: Callable[[str], T]
    problem: str | None = None


Ask = Callable[[Question[Any]], str]


def converse(
    ask: Ask, *, entropy: bytes, timezone_guess: str = "UTC", hardware_guess: str = ""
) -> Answers:
    """Hold the conversation.

    ask: shows a question and returns the answer as typed; empty means the default. Whatever it
    raises (end of input, an interruption) ends the conversation.
    entropy: at least 16 random bytes, for the local IPv6 prefix (RFC 4193 section 3.2.2);
    timezone_guess, hardware_guess: of the machine one sits at, offered where they make sense.
    Raises Unusable after five wrong answers to one question, ValueError for too little entropy.
    """
    if len(entropy) < ENTROPY:
        raise ValueError(f"{len(entropy)} bytes of entropy; {ENTROPY} are needed")
    drawn = ula(int.from_bytes(entropy[:8], "big"), int.from_bytes(entropy[8:16], "big"))
    talk = _Talk(ask)
    site = talk.about(
        "site",
        "What is the place called?",
        "The name stands on pages and in reports.",
        "New site",
        values.title,
    )
    zone = talk.about(
        "timezone",
        "In which time zone is it?",
        "Area and city, as the IANA time zone database writes them: Europe/London.",
        timezone_guess if _is_good(values.timezone, timezone_guess) else "UTC",
        values.timezone,
    )
    count = talk.about(
        "lines",
        "How many internet lines are there?",
        "The first carries the traffic, the others step in when it fails.",
        "1",
        lambda text: _number(text, 1, MAX_LINES, "a number of lines"),
    )
    for number in range(1, count + 1):
        talk.lines.append(_line(talk, number, count))
    _areas(talk)
    admin, hardware, home = _admin(talk, hardware_guess)
    kinds = {area.kind for area in talk.areas}
    return Answers(
        site=site,
        timezone=zone,
        local_prefix=drawn,
        lines=tuple(talk.lines),
        areas=tuple(talk.areas),
        admin=admin,
        admin_hardware=hardware,
        admin_area=home,
        sign_in="guests" in kinds and _sign_in(talk),
        telephony=_place(talk, "telephony") if "phones" in kinds else (),
        payments=_place(talk, "payments") if "tills" in kinds else (),
        server=_server(talk, hardware) if "servers" in kinds else None,
    )


@dataclass(slots=True)
class _Talk:
    """One conversation: how to ask, and what has been said so far."""

    ask: Ask
    lines: list[LineAnswer] = field(default_factory=list)
    areas: list[AreaAnswer] = field(default_factory=list)
    devices: list[str] = field(default_factory=list)
    ports: list[Port] = field(default_factory=list)

    def about(self, id: str, prompt: str, help: str, default: str, take: Callable[[str], T]) -> T:
        """Ask until an answer can be taken."""
        question = Question(id, prompt, help, default, take)
        text = ""
        for _ in range(TRIES):
            text = self.ask(question).strip()
            try:
                return take(_of_length(text or default))
            except Wrong as wrong:
                said = wrong.message + (f": {wrong.help}" if wrong.help else "")
                question = replace(question, problem=terminal(said))
        raise unusable(
            "answer-not-understood",
            f"no answer to '{prompt}' could be taken: {question.problem}",
            id,
            terminal(text[:LONGEST]),
            f"begin again; an empty answer means {default}",
        )

    def name(self, text: str) -> str:
        """A name for something new."""
        found = values.thing(text)
        if found.casefold() in self.taken():
            raise Wrong("name-clash", f"{quoted(found)} is taken already", "choose another name")
        return found

    def taken(self) -> set[str]:
        named = [*(line.name for line in self.lines), *(area.name for area in self.areas)]
        return {n.casefold() for n in (*named, *self.devices, *OWN_PLACES)}

    def free(self, name: str) -> str:
        """The name, or that name with the first number that makes it new."""
        wanted, number = name, 1
        while wanted.casefold() in self.taken():
            number += 1
            wanted = f"{name}-{number}"
        return wanted

    def port(self, text: str) -> Port:
        """A device of the gateway, perhaps with a VLAN, that nothing hangs on yet."""
        found = _port(text)
        if found in self.ports:
            raise Wrong("interface-twice", f"something hangs on `{_spelt(found)}` already",
                        "name another device, or tell them apart by a VLAN")  # fmt: skip
        return found

    def free_port(self, first: int, vlan: int | None = None) -> str:
        """The first free one of eth0, eth1, ...; with `vlan`: of the VLANs 10, 20, ... there."""
        used = {port.device for port in self.ports if vlan is None or port.vlan is None}
        number = next(n for n in range(first, first + len(self.ports) + 1) if f"eth{n}" not in used)
        while vlan is not None and Port(f"eth{number}", vlan) in self.ports:
            vlan += 10
        return _spelt(Port(f"eth{number}", vlan))


def _of_length(text: str) -> str:
    if len(text) > LONGEST:
        raise Wrong(
            "bad-text", f"this answer is longer than {LONGEST} characters", "say it shorter"
        )
    return text


def _is_good(take: Callable[[str], object], text: str) -> bool:
    try:
        take(text)
    except Wrong:
        return False
    return True


def _number(text: str, low: int, high: int, what: str) -> int:
    if re.fullmatch(r"[0-9]{1,6}", text) and low <= int(text) <= high:
        return int(text)
    raise Wrong("bad-number", f"{quoted(text)} is not {what}", f"write {low} to {high}")


def _port(text: str) -> Port:
    """`eth1`, `eth1 vlan 20`, or as Linux writes it, `eth1.20`."""
    match = re.fullmatch(r"(\S+?)(?:(?:\s*vlan\s*|[./])([0-9]{1,4}))?", text, re.IGNORECASE)
    if match is None:
        raise Wrong("bad-interface", f"{quoted(text)} is no device of the gateway",
                    "write for instance eth1, or eth1 vlan 20")  # fmt: skip
    device = values.interface(match[1])
    if match[2] is None:
        return Port(device, None)
    vlan = _number(match[2], 1, 4094, "a VLAN id")
    if len(f"{device}.{vlan}") > IFNAMSIZ:
        raise Wrong("bad-interface", f"`{device}.{vlan}` is too long for the name of an interface",
                    f"Linux takes {IFNAMSIZ} characters: give the device a shorter name")  # fmt: skip
    return Port(device, vlan)


def _spelt(port: Port) -> str:
    return port.device if port.vlan is None else f"{port.device} vlan {port.vlan}"


# Lines


def _line(talk: _Talk, number: int, count: int) -> LineAnswer:
    which = "the line" if count == 1 else f"line {number}"
    ident = f"line.{number}"
    name = talk.about(
        f"{ident}.name",
        f"What shall {which} be called?",
        "One word that everybody here understands.",
        talk.free("main-line" if number == 1 else "second-line" if number == 2 else "line"),
        talk.name,
    )
    port = talk.about(
        f"{ident}.device",
        f"On which device of the gateway does {which} arrive?",
        "As `ip link` shows it: eth0, or eth0 vlan 7 where the provider tags it.",
        talk.free_port(0),
        talk.port,
    )
    talk.ports.append(port)
    addresses = talk.about(
        f"{ident}.address",
        f"Which address does {which} have?",
        "`automatic`, or the fixed addresses with their length: 203.0.113.10/29.",
        "automatic",
        lambda text: _line_addresses(text, talk.lines),
    )
    hops = _next_hops(talk, ident, which, addresses) if addresses else ()
    rate = talk.about(
        f"{ident}.rate",
        f"How fast is {which}, down and up?",
        "As the contract says: 40 Mbit/s, 8 Mbit/s. Or `later`.",
        LATER,
        _rates,
    )
    prefix = talk.about(
        f"{ident}.prefix",
        f"Which IPv6 prefix does the provider of {which} give the site?",
        "A /48 to a /60; `delegated` if the gateway is to ask for it, and may get another one any day;"
        " or `none`: then the site has IPv6 only within itself.",
        "none",
        lambda text: _line_prefix(text, talk.lines, addresses),
    )
    given, asked = (None, True) if prefix == values.DELEGATED else (prefix, False)
    return LineAnswer(name, port, addresses, hops, rate, given, asked)


def _line_addresses(text: str, others: Sequence[LineAnswer]) -> tuple[Interface, ...]:
    if text.lower() == "automatic" or by_meaning(text, ("automatic",)):
        return ()
    found = tuple(values.address_with_length(part) for part in re.split(r"[\s,;]+", text) if part)
    _once_per_family(found)
    for one in found:
        _check_line_address(one, others)
    if not any(one.version == 4 for one in found):
        raise Wrong("bad-address", "the IPv4 address is missing",
                    "write it too, or `automatic`; a line without IPv4 is written by hand")  # fmt: skip
    return found


def _once_per_family(found: Sequence[Interface] | Sequence[Address]) -> None:
    if len({one.version for one in found}) < len(found):
        raise Wrong("two-of-a-family", "there can be one of IPv4 and one of IPv6", "keep one each")


def _check_line_address(one: Interface, others: Sequence[LineAnswer]) -> None:
    network, least, most = one.network, LEAST4, MOST4
    if isinstance(one, IPv6Interface):
        least, most = LEAST6, MOST6
        usable = one.ip in GLOBAL6
    else:
        usable = not any(one.ip in block for block in HOST4)
    if not usable:
        raise Wrong("bad-address", f"`{one.ip}` can't be the address of a line",
                    "write the one that stands in the provider's letter")  # fmt: skip
    if not least <= network.prefixlen <= most:
        raise Wrong("bad-address", f"a line's network is a /{least} to a /{most} here",
                    "look again at what the provider wrote")  # fmt: skip
    for other in others:
        if any(_overlap(network, n) for n in _networks(other)):
            raise Wrong("line-overlap", f"`{network}` overlaps what {other.name} has",
                        "each line has a network of its own")  # fmt: skip


def _networks(line: LineAnswer) -> Iterator[Network]:
    yield from (one.network for one in line.addresses)
    if line.prefix is not None:
        yield line.prefix


def _overlap(a: Network, b: Network) -> bool:
    if isinstance(a, IPv4Network):
        return isinstance(b, IPv4Network) and a.overlaps(b)
    return isinstance(b, IPv6Network) and a.overlaps(b)


def _next_hops(
    talk: _Talk, ident: str, which: str, addresses: tuple[Interface, ...]
) -> tuple[Address, ...]:
    return talk.about(
        f"{ident}.next-hop",
        f"What is the provider's router on {which}?",
        "Its address in the line's network, one for IPv4 and one for IPv6 if there is IPv6.",
        ", ".join(str(_neighbour(one)) for one in addresses),
        lambda text: _hops(text, addresses),
    )


def _neighbour(one: Interface) -> Address:
    """The first address of a network that is not the line's own."""
    first = 0 if one.network.prefixlen >= one.network.max_prefixlen - 1 else 1
    return next(a for a in (one.network[first], one.network[first + 1]) if a != one.ip)


def _hops(text: str, addresses: tuple[Interface, ...]) -> tuple[Address, ...]:
    found = tuple(values.next_hop(part) for part in re.split(r"[\s,;]+", text) if part)
    _once_per_family(found)
    own = {one.version: one for one in addresses}
    for hop in found:
        line = own.get(hop.version)
        if line is None or not (hop in line.network or (hop.version == 6 and hop.is_link_local)):
            near = " or ".join(str(one.network) for one in addresses)
            raise Wrong("next-hop-outside", f"`{hop}` is in no network of this line",
                        f"it must be in {near}")  # fmt: skip
        if hop == line.ip or (isinstance(line, IPv4Interface) and hop in _edges(line.network)):
            raise Wrong("next-hop-outside", f"`{hop}` can't be the router",
                        f"for instance {_neighbour(line)}")  # fmt: skip
    missing = [version for version in own if version not in {hop.version for hop in found}]
    if missing:
        raise Wrong("bad-address", f"the router for IPv{missing[0]} is missing",
                    f"for instance {_neighbour(own[missing[0]])}")  # fmt: skip
    return found


def _edges(network: IPv4Network) -> tuple[Address, ...]:
    return () if network.prefixlen >= 31 else (network[0], network[-1])


def _rates(text: str) -> tuple[str, str] | None:
    if text.lower() in (LATER, "unknown", "not known"):
        return None
    amount = r"([0-9]{1,9}(?:\.[0-9]{1,6})?)\s?([kMG]?bit/s)?"
    match = re.fullmatch(rf"{amount}\s*(?:[,;/]|and|down,?)?\s*{amount}(?:\s*up)?", text)
    if match is None or not (match[4] or match[2]):
        raise Wrong("bad-rate", f"{quoted(text)} is no pair of rates",
                    "write both with their unit: 40 Mbit/s, 8 Mbit/s; or `later`")  # fmt: skip
    down = f"{match[1]} {match[2] or match[4]}"
    up = f"{match[3]} {match[4] or match[2]}"
    for rate in (down, up):
        values.rate(rate)
    return down, up


def _line_prefix(
    text: str, others: Sequence[LineAnswer], addresses: tuple[Interface, ...]
) -> IPv6Network | Literal["delegated"] | None:
    if text.lower() in ("none", "no", LATER):
        return None
    if text.lower() == values.DELEGATED or by_meaning(text, (values.DELEGATED,)):
        return values.DELEGATED
    found = values.line_prefix(text)
    first = next(found.subnets(new_prefix=64))  # no area has it
    for one in (one for one in addresses if isinstance(one, IPv6Interface)):
        if one.network.overlaps(found) and not one.network.subnet_of(first):
            raise Wrong("line-overlap", f"`{found}` overlaps `{one.network}`, the line's network",
                        "the prefix for the site is another than the one of the line")  # fmt: skip
    for other in others:
        if any(_overlap(found, network) for network in _networks(other)):
            raise Wrong("line-overlap", f"`{found}` overlaps what {other.name} has",
                        "each provider gives a prefix of its own")  # fmt: skip
    return found


# Areas


def _areas(talk: _Talk) -> None:
    offered = "; ".join(f"{word} ({kind.what})" for word, kind in KINDS.items())
    names = [(talk.free(word), word) for word in ("office", "guests")]
    chosen = talk.about(
        "areas",
        "Which areas shall there be?",
        f"Known kinds: {offered}. Other names are welcome, and so is `bunkrooms as guests`.",
        ", ".join(name if name == kind else f"{name} as {kind}" for name, kind in names),
        lambda text: _area_names(talk, text),
    )
    for number, (name, kind) in enumerate(chosen):
        port = talk.free_port(1, 10 * (number + 1) if len(chosen) > 3 else None)
        hosts, port_found = talk.about(
            f"area.{number + 1}",
            f"{name}: how many devices will be there, and on which device of the gateway?",
            "For instance 20 on eth1, or 20 on eth1 vlan 20. There will be room to grow.",
            f"{KINDS[kind].hosts} on {port}",
            lambda text, port=port: _room(talk, text, port),  # type: ignore[misc]
        )
        talk.ports.append(port_found)
        talk.areas.append(AreaAnswer(name, kind, hosts, port_found))


def _area_names(talk: _Talk, text: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for item in (part for part in SEPARATOR.split(text) if part):
        said, _, kind = re.sub(r"\s+", " ", item).partition(" as ")
        name = talk.name(said.strip())
        if name.casefold() in {other.casefold() for other, _ in found}:
            raise Wrong("said-twice", f"{quoted(name)} stands there twice", "name each area once")
        found.append((name, _kind(name, kind.strip())))
    if not found:
        raise Wrong("missing-key", "there is no area in that", "name at least one")
    if len(found) > MOST_AREAS:
        raise Wrong("bad-number", f"these are {len(found)} areas",
                    f"begin with at most {MOST_AREAS}; more are added by hand")  # fmt: skip
    return found


def _kind(name: str, said: str) -> str:
    """The kind of an area: as said, or as its name tells; `other` for a name of its own."""
    word = (said or name).casefold()
    for kind, known in KINDS.items():
        if word == kind or word in known.meanings:
            return kind
    near = by_letters(word, KINDS)
    if said or near:
        raise Wrong("bad-word", f"{quoted(word)} is no kind of area that is known here",
                    f"write {name} as {near or 'other'}, or {name} as other")  # fmt: skip
    return "other"


def _room(talk: _Talk, text: str, port: str) -> tuple[int, Port]:
    match = re.fullmatch(r"([0-9]{1,6})(?:\s*(?:,|on\b|devices on\b)?\s*(\S.*))?", text)
    if match is None:
        raise Wrong("bad-number", f"{quoted(text)} does not say how many",
                    "write for instance 20 on eth1, or 20 on eth1 vlan 20")  # fmt: skip
    hosts = _number(match[1], 1, MOST_HOSTS, "a number of devices")
    return hosts, talk.port(match[2] or port)


# The way in, sign-in, places, the server


def _admin(talk: _Talk, hardware_guess: str) -> tuple[str, int | None, str]:
    name = talk.about(
        "admin.name",
        "From which machine will you look after the gateway?",
        "A name for it. It always reaches the gateway with ssh, and nothing else does.",
        talk.free("admin-laptop"),
        talk.name,
    )
    talk.devices.append(name)
    hardware = talk.about(
        "admin.hardware",
        f"What is the hardware address of {name}?",
        "As `ip link` shows it there (02:00:00:aa:00:01), or `later`: until then, no way in.",
        hardware_guess if _is_good(values.hardware, hardware_guess) else LATER,
        lambda text: None if text.lower() == LATER else values.hardware(text),
    )
    suitable = [a.name for a in talk.areas if a.kind in ADMINISTERING]
    homes = suitable or [area.name for area in talk.areas]
    if len(homes) == 1:
        return name, hardware, homes[0]
    home = talk.about(
        "admin.area",
        f"In which area is {name}?",
        f"One of {', '.join(homes)}. The areas of guests and of equipment are no place for it."
        if suitable
        else f"One of {', '.join(homes)}.",
        homes[0],
        lambda text: _one_of(text, homes),
    )
    return name, hardware, home


def _one_of(text: str, names: Sequence[str]) -> str:
    if text in names:
        return text
    near = suggest(text, names)
    raise Wrong("unknown-name", f"{quoted(text)} is none of {', '.join(names)}",
                f"write {near}" if near else None)  # fmt: skip


def _sign_in(talk: _Talk) -> bool:
    return talk.about(
        "sign-in",
        "Must guests sign in before they reach anything?",
        "yes or no. Who watches what people do needs a lawful basis and tells them.",
        "no",
        _yes,
    )


def _yes(text: str) -> bool:
    word = text.lower()
    if word in ("y", "yes", "n", "no"):
        return word.startswith("y")
    raise Wrong("bad-word", f"{quoted(text)} is neither yes nor no", "write yes or no")


def _place(talk: _Talk, name: str) -> tuple[Network, ...]:
    whose = {
        "telephony": "the provider of your telephones",
        "payments": "the company that takes your card payments",
    }[name]
    return talk.about(
        name,
        f"Which prefixes does {whose} use?",
        "From their papers, for instance 198.51.100.64/28. Or `later`: until then nothing works.",
        LATER,
        lambda text: _prefixes(talk, text),
    )


def _prefixes(talk: _Talk, text: str) -> tuple[Network, ...]:
    if text.lower() == LATER:
        return ()
    found = tuple(dict.fromkeys(values.prefix(p) for p in re.split(r"[\s,;]+", text) if p))
    six = any(line.prefix is not None or line.delegated for line in talk.lines)
    for one in found:
        _check_place(talk, one)
    if not any(one.version == 4 for one in found) and not six:
        raise Wrong("bad-prefix", "no line has an IPv6 prefix, so nobody could reach that",
                    "write their IPv4 prefixes")  # fmt: skip
    return found


def _check_place(talk: _Talk, one: Network) -> None:
    if isinstance(one, IPv4Network):
        private = any(one.overlaps(block) for block in (*POOL4, *HOST4))
        wide, least = one.prefixlen < 8, 8
    else:
        private = not one.subnet_of(GLOBAL6)
        wide, least = one.prefixlen < 16, 16
    if wide:
        raise Wrong(
            "bad-prefix", f"`{one}` is more than anybody has", f"write a /{least} or longer"
        )
    given = [line.prefix for line in talk.lines if line.prefix is not None]
    if private or any(_overlap(one, prefix) for prefix in given):
        raise Wrong("place-overlaps-site", f"`{one}` is no place on the internet",
                    "write the public prefixes they gave you")  # fmt: skip
    own = {a.ip for line in talk.lines for a in line.addresses}
    if one.num_addresses <= len(own) and all(address in own for address in one):
        raise Wrong("place-overlaps-site", f"`{one}` is a line's own address",
                    "write the prefixes of the other side")  # fmt: skip


def _server(talk: _Talk, admin_hardware: int | None) -> ServerAnswer:
    home = next(area.name for area in talk.areas if area.kind == "servers")
    name = talk.about(
        "server.name",
        f"Which machine in {home} may the public reach?",
        "A name for it. More machines are added by hand, each with what it offers.",
        talk.free("web"),
        talk.name,
    )
    talk.devices.append(name)
    hardware = talk.about(
        "server.hardware",
        f"What is the hardware address of {name}?",
        "As `ip link` shows it there, or `later`: until then nobody reaches it.",
        LATER,
        lambda text: None if text.lower() == LATER else _another(text, admin_hardware),
    )
    services = talk.about(
        "server.services",
        f"What does {name} offer?",
        "Names of services, or written out: https; or http, https, tcp/8443.",
        "https",
        _offered,
    )
    return ServerAnswer(name, home, hardware, services)


def _another(text: str, taken: int | None) -> int:
    found = values.hardware(text)
    if found == taken:
        raise Wrong("hardware-twice", "this is the hardware address of the other machine",
                    "read it off the server once more")  # fmt: skip
    return found


def _offered(text: str) -> tuple[str, ...]:
    names = tuple(dict.fromkeys(values.service(p) for p in SEPARATOR.split(text) if p))
    for name in names:
        parts = _parts(name)
        if parts is None:
            raise Wrong("unknown-name", f"there is no service {quoted(name)}",
                        suggest(name, builtin()) or "write it out: tcp/8443")  # fmt: skip
        if any(protocol not in (6, 17) for protocol, _, _ in parts):
            raise Wrong("bad-service", f"{quoted(name)} has no ports that could be offered",
                        "write services of TCP or UDP")  # fmt: skip
    if not names:
        raise Wrong("bad-service", "there is no service in that", "write for instance https")
    return names


def _parts(name: str) -> tuple[Part, ...] | None:
    written = parse_written(name)
    return (written,) if written is not None else builtin().get(name)
