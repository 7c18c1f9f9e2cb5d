"""The left-hand side of random rules: single matches, sets, concatenations, arithmetic, fib."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from random import Random

from tests.readback.values import PROTOCOLS, TYPES4, TYPES6, Draw, Pool, Value, apart

STATES = ("new", "established", "related", "invalid", "untracked")
FIB_TYPES = ("local", "unicast", "broadcast", "multicast", "anycast", "unreachable")


@dataclass(frozen=True)
class Key:
    """Something of a packet that nft can look at.

    kind: the type of sets that hold it ("": no named sets); single, wide: draw a value, a range.
    lone: not in concatenations.
    """

    text: str
    kind: str
    single: Draw
    wide: Draw | None = None
    lone: bool = False


@dataclass(frozen=True)
class Where:
    """Where a rule stands. hook "" and type "": in a chain that others jump to."""

    family: str
    hook: str
    type: str
    early: bool = False  # before connections are tracked


@dataclass(frozen=True)
class About:
    """What the rule is about, so that its parts do not contradict each other."""

    version: int | None
    protocol: str  # "", tcp, udp, sctp, icmp, icmpv6, both (TCP and UDP)


@dataclass
class Objects:
    """What one table declares beside its chains: lines in nft's words, sets by the kind of key."""

    lines: list[str] = field(default_factory=list)
    sets: dict[tuple[str, ...], list[str]] = field(default_factory=dict)
    maps: dict[tuple[str, ...], list[str]] = field(default_factory=dict)


class Matches:
    """Draws matches for the rules of one table."""

    def __init__(self, pool: Pool, objects: Objects, name: Callable[[str], str]) -> None:
        self.pool, self.objects, self.name = pool, objects, name
        self.rng: Random = pool.rng

    # --- keys ----------------------------------------------------------------------------------

    def keys(self, where: Where, about: About) -> list[Key]:
        """All that a rule there may look at."""
        found = [*self._devices(where), *self._marks(where)]
        if about.version is not None:
            found += self._addresses(about.version) * 2
        found += self._transport(about) * 2
        if where.hook in ("prerouting", "input", "forward"):
            found.append(Key("ether saddr", "ether_addr", self.pool.hardware))
        return found

    def _devices(self, where: Where) -> list[Key]:
        names = self.pool.device, self.pool.devices_alike
        iif, oif = (Key(f"{side}ifname", "ifname", *names) for side in "io")
        by_number = [Key(text, "", self.pool.device, lone=True) for text in ("iif", "oif")]
        if where.hook in ("prerouting", "input"):
            return [iif, iif, by_number[0]]
        if where.hook in ("output", "postrouting"):
            return [oif, oif, by_number[1], *([iif] if self.rng.random() < 0.1 else [])]
        return [iif, oif, *by_number] if where.hook == "forward" else [iif]

    def _marks(self, where: Where) -> list[Key]:
        ct = Key("ct mark", "mark", self.pool.mark, self.pool.marks_range)
        meta = Key("meta mark", "mark", self.pool.mark, self.pool.marks_range)
        return [meta] if where.early and self.rng.random() < 0.9 else [ct, meta]

    def _addresses(self, version: int) -> list[Key]:
        name, kind = ("ip", "ipv4_addr") if version == 4 else ("ip6", "ipv6_addr")
        draws: tuple[Draw, Draw] = (
            lambda: self.pool.address(version),
            lambda: self.pool.network(version),
        )
        return [Key(f"{name} {side}", kind, *draws) for side in ("saddr", "daddr")]

    def _transport(self, about: About) -> list[Key]:
        ports = self.pool.port, self.pool.ports_range
        if about.protocol in ("tcp", "udp", "sctp", "both"):
            header = {"both": "th"}.get(about.protocol, about.protocol)
            target = Key(f"{header} dport", "inet_service", *ports)
            return [target, target, Key(f"{header} sport", "inet_service", *ports)]
        if about.protocol in ("icmp", "icmpv6"):
            names = TYPES4 if about.protocol == "icmp" else TYPES6
            kind = f"{about.protocol}_type"
            draws = self.pool.named(names), self.pool.numbers(names)
            code: Draw = self.pool.named({"0": 0, "1": 1, "3": 3})
            out = [Key(f"{about.protocol} type", kind, *draws)] * 2
            return [*out, Key(f"{about.protocol} code", "", code, lone=True)]
        text = self.rng.choice(
            ["meta l4proto"] * 3
            + {4: ["ip protocol"], 6: ["ip6 nexthdr"]}.get(about.version or 0, [])
        )
        return [Key(text, "inet_proto", self.pool.named(PROTOCOLS))]

    # --- forms ---------------------------------------------------------------------------------

    def about(self, where: Where) -> About:
        """What a rule may be about in such a table."""
        version = {"ip": 4, "ip6": 6}.get(where.family) or self.rng.choice((None, 4, 4, 6))
        icmp = {4: "icmp", 6: "icmpv6"}.get(version or 0, "tcp")
        return About(version, self.rng.choice(("", "", "tcp", "tcp", "udp", "sctp", "both", icmp)))

    def opening(self, about: About) -> list[str]:
        """Matches that must come first for the others to be allowed."""
        return ["meta l4proto { tcp, udp }"] if about.protocol == "both" else []

    def several(self, where: Where, about: About, most: int) -> list[str]:
        """Some matches of any form."""
        out = []
        keys = self.keys(where, about)
        for _ in range(self.rng.randint(0 if self.rng.random() < 0.2 else 1, most)):
            kind = self.rng.random()
            if kind < 0.62:
                out.append(self.plain(self.rng.choice(keys)))
            elif kind < 0.76:
                out.append(self.concatenated(where, about))
            else:
                out.append(self.special(where, about))
        return _once_negated([text for text in out if text])

    def plain(self, key: Key) -> str:
        """One key against a value, a range, an anonymous or a named set."""
        negation = "!= " if self.rng.random() < 0.22 else ""
        form = self.rng.random()
        if form < 0.35:
            return f"{key.text} {negation}{key.single().text}"
        if form < 0.55 and key.wide:
            return f"{key.text} {negation}{key.wide().text}"
        if form < 0.78 or not key.kind:
            elements = self.elements([key], self.rng.randint(1, 4), wide=True)
            return f"{key.text} {negation}{{ {', '.join(self.written(e) for e in elements)} }}"
        return f"{key.text} {negation}@{self.named_set([key])}"

    def concatenated(self, where: Where, about: About) -> str:
        """Two or three keys together in a set."""
        keys = self.several_keys(where, about)
        if len(keys) < 2:
            return ""
        negation = "!= " if self.rng.random() < 0.15 else ""
        left = " . ".join(key.text for key in keys)
        if self.rng.random() < 0.5:
            return f"{left} {negation}@{self.named_set(keys)}"
        elements = self.elements(keys, self.rng.randint(1, 4), wide=self.rng.random() < 0.5)
        return f"{left} {negation}{{ {', '.join(self.written(e) for e in elements)} }}"

    def several_keys(self, where: Where, about: About) -> list[Key]:
        found: list[Key] = []
        for _ in range(6):
            key = self.rng.choice(self.keys(where, about))
            if not key.lone and all(key.text != other.text for other in found):
                found.append(key)
        return found[: self.rng.choice((2, 2, 3))]

    def elements(self, keys: Sequence[Key], count: int, wide: bool) -> list[list[Value]]:
        """Elements of a set that have nothing in common."""
        out: list[list[Value]] = []
        for _ in range(count * 2):
            element = [self._part(key, wide, alone=len(keys) == 1) for key in keys]
            if len(out) < count and all(apart(element, other) for other in out):
                out.append(element)
        return out

    def _part(self, key: Key, wide: bool, alone: bool) -> Value:
        # Marks are stored in the machine's own byte order: no ranges within concatenations.
        fitting = key.wide and (alone or key.kind != "mark")
        return (
            key.wide()
            if key.wide and fitting and wide and self.rng.random() < 0.4
            else key.single()
        )

    def written(self, element: Iterable[Value]) -> str:
        return " . ".join(value.text for value in element)

    # --- named sets ----------------------------------------------------------------------------

    def named_set(self, keys: Sequence[Key]) -> str:
        """The name of a set for these keys, an old or a new one."""
        kinds = tuple(key.kind for key in keys)
        known = self.objects.sets.setdefault(kinds, [])
        if known and self.rng.random() < 0.5:
            return self.rng.choice(known)
        name = self.name("s")
        known.append(name)
        elements = self.elements(keys, self.rng.randint(0, 5), wide=self.rng.random() < 0.6)
        self.declare("set", name, keys, elements, [self.written(each) for each in elements])
        return name

    def declare(
        self,
        what: str,
        name: str,
        keys: Sequence[Key],
        elements: Sequence[Sequence[Value]],
        written: Sequence[str],
        data: str = "",
    ) -> None:
        """Write a named set or map down."""
        if self.rng.random() < 0.3 and what == "set" and not any(k.text == "iifname" for k in keys):
            kind = "typeof " + " . ".join(key.text for key in keys)
        else:
            kind = "type " + " . ".join(key.kind for key in keys)
        lines = [f"{what} {name} {{", f"    {kind}{data}"]
        if any(value.wide for element in elements for value in element):
            lines.append("    flags interval")
        if what == "set" and self.rng.random() < 0.2:
            lines.append("    counter")
        elif what == "set" and self.rng.random() < 0.2:
            written = [f'{each} comment "{self.rng.choice(COMMENTS)}"' for each in written]
        if written:
            lines.append(f"    elements = {{ {', '.join(written)} }}")
        self.objects.lines += [*lines, "}"]

    # --- what has a form of its own ------------------------------------------------------------

    def special(self, where: Where, about: About) -> str:
        choices: list[Callable[[], str]] = [self.state, self.status, self.masked, self.fib_type]
        if about.version is not None:
            choices.append(lambda: self.original(about))
            if where.family == "inet":
                family, kind = {4: ("ipv4", "ip"), 6: ("ipv6", "ip6")}[about.version]
                choices += [lambda: f"meta nfproto {family}", lambda: f"meta protocol {kind}"]
        if about.protocol == "tcp":
            choices.append(self.flags)
        if where.hook in ("prerouting", "input", "forward"):
            choices += [lambda: self.fib_here(where)] * 2
        if about.version == 4:
            choices.append(self.partial)
        return self.rng.choice(choices)()

    def state(self) -> str:
        states = self.rng.sample(STATES, self.rng.choice((1, 1, 2, 3)))
        negation = self.rng.choice(("", "", "", "!= ", "! "))
        if len(states) > 1 and self.rng.random() < 0.3 and negation != "! ":
            return f"ct state {negation}{{ {', '.join(states)} }}"
        return f"ct state {negation}{','.join(states)}"

    def status(self) -> str:
        """`!=` would compare with all of the status, of which most is the kernel's own business."""
        negation = self.rng.choice(("", "", "! "))
        return f"ct status {negation}{self.rng.choice(('dnat', 'snat', 'snat,dnat'))}"

    def masked(self) -> str:
        side = self.rng.choice(("meta mark", "ct mark"))
        mask = self.rng.choice((0x1, 0xF, 0xF0, 0xFF, 0xFFFFFF00, 0x80000000))
        value = self.rng.choice(self.pool.marks) & mask
        turn = self.rng.random()
        if turn < 0.1:
            return f"{side} or {mask:#x} == {value | mask:#x}"
        if turn < 0.2:
            return f"{side} xor {mask:#x} {self.rng.choice(('==', '!='))} {self.rng.choice((mask, 1)):#x}"
        return f"{side} and {mask:#x} {self.rng.choice(('==', '==', '!='))} {value:#x}"

    def fib_type(self) -> str:
        side = self.rng.choice(("daddr", "daddr", "saddr"))
        return f"fib {side} type {self._fib_types()}"

    def _fib_types(self) -> str:
        types = self.rng.sample(FIB_TYPES, self.rng.choice((1, 1, 2, 3)))
        negation = self.rng.choice(("", "", "!= "))
        return negation + (types[0] if len(types) == 1 else f"{{ {', '.join(types)} }}")

    def fib_here(self, where: Where) -> str:
        """Look-ups that need the device a packet came in by."""
        device = self.pool.device().text
        choices = [
            f"fib {self.rng.choice(('daddr', 'saddr'))} . iif type {self._fib_types()}",
            f"fib saddr . iif oif {self.rng.choice(('missing', 'exists'))}",
            f"fib saddr . iif oif {self.rng.choice(('missing', 'exists'))}",
            f"fib {self.rng.choice(('daddr', 'saddr'))} oifname {device}",
            f"fib {self.rng.choice(('daddr', 'saddr'))} oif {self.rng.choice(('', '!= '))}{device}",
        ]
        return self.rng.choice(choices)

    def original(self, about: About) -> str:
        assert about.version is not None
        name = "ip" if about.version == 4 else "ip6"
        side = self.rng.choice(("daddr", "daddr", "saddr"))
        if about.protocol in ("tcp", "udp") and self.rng.random() < 0.4:
            lead = f"meta l4proto {about.protocol} "  # else nft does not know what a port is
            return f"{lead}ct original proto-dst {self.pool.port().text}"
        draw = self.pool.address if self.rng.random() < 0.7 else self.pool.network
        return f"ct original {name} {side} {draw(about.version).text}"

    def flags(self) -> str:
        return self.rng.choice(
            (
                "tcp flags syn",
                "tcp flags & (fin|syn|rst|ack) == syn",
                "tcp flags & (syn|ack) != syn",
                "tcp flags ack",
                "tcp flags ! syn",
            )
        )

    def partial(self) -> str:
        mask, kept = self.rng.choice(
            (("255.255.255.192", 26), ("255.255.0.0", 16), ("224.0.0.0", 3))
        )
        number = self.pool.address(4).low >> (32 - kept) << (32 - kept)
        side, sign = self.rng.choice(("saddr", "daddr")), self.rng.choice(("==", "!="))
        return f"ip {side} & {mask} {sign} {IPv4Address(number)}"


def _once_negated(matches: list[str]) -> list[str]:
    """At most one `!=` a value of a transport header: nft 1.0.6 takes two for one comparison."""
    negated = [text for text in matches if _NEGATED.match(text)]
    return [text for text in matches if text not in negated[1:]]


_NEGATED = re.compile(r"(?:tcp|udp|sctp|th|icmp|icmpv6) \w+ != [\w-]+$")
COMMENTS = ("a neighbour", "line \u00e9 & <b>", "50 %", "quote ' and \\\\ slash", "{ brace }")
