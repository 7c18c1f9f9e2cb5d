"""Random rulesets from a seed: tables, chains, sets, maps, verdicts, refusals, translation."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import count
from random import Random

from tests.readback import ground
from tests.readback.matches import COMMENTS, About, Key, Matches, Objects, Where
from tests.readback.values import Pool, apart, pool

FILTER_HOOKS = ("prerouting", "input", "forward", "output", "postrouting")
NAT_HOOKS = ("prerouting", "output", "postrouting", "input")
REFUSING = frozenset({"prerouting", "input", "forward", "output"})
UNREACHABLE = {
    4: ("net-unreachable", "host-unreachable", "prot-unreachable", "port-unreachable"),
    6: ("no-route", "addr-unreachable", "port-unreachable", "policy-fail", "reject-route"),
}
PROHIBITED = {
    4: ("net-prohibited", "host-prohibited", "admin-prohibited"),
    6: ("admin-prohibited",),
}
ANY_FAMILY = ("port-unreachable", "admin-prohibited", "no-route", "host-unreachable")


@dataclass(frozen=True)
class Taste:
    """How much of what a ruleset is made of. limits: also limits and quotas."""

    nat: bool
    limits: bool
    notrack: bool
    strict: bool  # base chains that drop


@dataclass
class Chain:
    """A chain that others may jump to, and what may stand in it."""

    name: str
    use: str  # plain: anything any hook allows; refusing; dnat; snat


class Table:
    """Writes one table."""

    def __init__(self, family: str, name: str, source: Pool, taste: Taste, numbers: Iterable[int]):
        self.family, self.title, self.pool, self.taste = family, name, source, taste
        self.rng = source.rng
        self.numbers = iter(numbers)
        self.objects = Objects()
        self.matches = Matches(source, self.objects, self.fresh)
        self.chains: list[Chain] = []
        self.counters: list[str] = []
        self.priorities: set[tuple[str, int]] = set()

    def fresh(self, letter: str) -> str:
        return f"{letter}{next(self.numbers)}"

    def text(self) -> str:
        """The whole table."""
        base = [self._base_chain() for _ in range(self.rng.randint(2, 6))]
        uses = ["plain", "plain", "refusing", "refusing", "refusing"]
        uses += ["dnat", "snat"] * self.taste.nat
        # Chains are written from the last to the first: each may jump to those written before.
        written = []
        for use in self.rng.sample(uses, self.rng.randint(2, len(uses))):
            chain = Chain(self.fresh("r"), use)
            lines = self._rules(self._inner(use), self.rng.randint(1, 5))
            self.chains.append(chain)
            written.append(self._chain(chain.name, [], lines))
        for where, head, size in base:
            written.append(self._chain(self.fresh("b"), [head], self._rules(where, size)))
        counters = [f"counter {name} {{ }}" for name in self.counters]
        parts = [*counters, *self.objects.lines, *(line for chain in written for line in chain)]
        body = "".join(f"    {line}\n" for line in parts)
        return f"table {self.family} {self.title} {{\n{body}}}\n"

    def _chain(self, name: str, head: list[str], rules: list[str]) -> list[str]:
        return [f"chain {name} {{", *(f"    {line}" for line in [*head, *rules]), "}"]

    def _inner(self, use: str) -> Where:
        kind = "nat" if use in ("dnat", "snat") else ""
        return Where(self.family, use if kind else "", kind or use)

    def _base_chain(self) -> tuple[Where, str, int]:
        kinds = ["filter"] * 6 + ["route"] + ["nat"] * 4 * self.taste.nat
        kind = self.rng.choice(kinds)
        hook = self.rng.choice(
            {"filter": FILTER_HOOKS, "nat": NAT_HOOKS[:3] * 3 + NAT_HOOKS, "route": ("output",)}[
                kind
            ]
        )
        priority = self._priority(kind, hook)
        policy = self.rng.choice(("", "; policy accept", "; policy accept"))
        if self.taste.strict and kind == "filter" and self.rng.random() < 0.5:
            policy = "; policy drop"
        early = priority < -200 and hook in ("prerouting", "output")
        where = Where(self.family, hook, kind, early)
        head = f"type {kind} hook {hook} priority {priority}{policy};"
        return where, head, self.rng.randint(1, 7)

    def _priority(self, kind: str, hook: str) -> int:
        """A priority that no other chain of this table has there, so that the order is certain.

        Neither that of the connection tracking (-200) nor that of the translation itself.
        """
        usual = {"prerouting": (-300, -150, -100, 0), "postrouting": (-150, 0, 100, 300)}
        taken = {-200, -100 if hook in ("prerouting", "output") else 100}
        while True:
            choices = usual.get(hook, (-300, -150, 0, 50, 100))
            found = self.rng.choice(choices) + self.rng.choice((0, 0, 1, -7, 13))
            if kind == "nat":
                found = self.rng.choice((-150, -110, -100, -90, 0, 90, 100, 110))
            elif found in taken:
                continue
            if (hook, found) not in self.priorities:
                self.priorities.add((hook, found))
                return found

    # --- rules ---------------------------------------------------------------------------------

    def _rules(self, where: Where, size: int) -> list[str]:
        return [self._rule(where) for _ in range(size)]

    def _rule(self, where: Where) -> str:
        about = self.matches.about(where)
        parts = [
            *self.matches.opening(about),
            *self.matches.several(where, about, 2 if where.type == "nat" else 3),
            *self._statements(where, about),
        ]
        parts += self._ending(where, about, bool(parts))
        if self.rng.random() < 0.2:
            parts.append(f'comment "{self.rng.choice(COMMENTS)}"')
        return " ".join(parts)

    def _statements(self, where: Where, about: About) -> list[str]:
        out = []
        if self.rng.random() < 0.12:
            out.append(self._reading(about))
        if self.rng.random() < 0.22:
            out.append(self._setting())
            if self.rng.random() < 0.3:
                out.append(self._setting())
        if self.taste.limits and self.rng.random() < 0.08:
            out.append(self._limit())
        if self.taste.notrack and where.early and self.rng.random() < 0.35:
            out.append("notrack")
        kind = self.rng.random()
        if kind < 0.4:
            name = self.fresh("k")
            self.counters.append(name)
            out.append(f"counter name {name}")
        elif kind < 0.55:
            out.append("counter")
        return out

    def _limit(self) -> str:
        """A limit or a quota, named or not, met by packets within it or beyond it."""
        over = self.rng.choice(("", "over "))
        if self.rng.random() < 0.4:
            name = self.fresh("q")
            kind, said = self.rng.choice(
                (("limit", f"rate {over}5/minute"), ("quota", f"{over}10 mbytes"))
            )
            self.objects.lines += [f"{kind} {name} {{", f"    {said}", "}"]
            return f'{kind} name "{name}"'
        return self.rng.choice((f"limit rate {over}5/minute", f"quota {over}10 mbytes"))

    def _reading(self, about: About) -> str:
        """A statement that does nothing to a packet's way but end the rule for whoever lacks what
        it reads: of the other family, or not in its map."""
        version = {"ip": 4, "ip6": 6}.get(self.family) or about.version or self.rng.choice((4, 6))
        name, kind, hops = (
            ("ip", "ipv4_addr", "ttl") if version == 4 else ("ip6", "ipv6_addr", "hoplimit")
        )
        side = self.rng.choice(("saddr", "daddr"))
        first, second = (self.pool.address(version) for _ in range(2))
        keys = {first.text, second.text} if apart([first], [second]) else {first.text}
        choices = [
            f"{name} {hops} set 77",
            f"{name} dscp set cs1",
            f"meta priority set {name} {side} map {{ {', '.join(f'{key} : 1:9' for key in sorted(keys))} }}",
        ]
        if about.protocol in ("tcp", "udp"):
            choices.append(
                f"meta priority set {about.protocol} dport map {{ {self.pool.port().text} : 1:7 }}"
            )
        turn = self.rng.random()
        if turn < 0.3:
            counter = self.fresh("k")
            self.counters.append(counter)
            return f'counter name {name} {side} map {{ {first.text} : "{counter}" }}'
        if turn < 0.7:
            filled, more = self.fresh("f"), self.rng.choice(("", " . meta l4proto"))
            of = f"{kind} . inet_proto" if more else kind
            self.objects.lines.append(f"set {filled} {{ type {of}; size 65535; flags dynamic; }}")
            return f"{self.rng.choice(('add', 'update'))} @{filled} {{ {name} {side}{more} }}"
        return self.rng.choice(choices)

    def _setting(self) -> str:
        """A mark is set, from a number, a map or another mark."""
        left, right = (self.rng.choice(("meta mark", "ct mark")) for _ in range(2))
        value = self.rng.choice(self.pool.marks)
        mask = self.rng.choice((0xF, 0xF0, 0xFFFFFF00, 0x1))
        return self.rng.choice(
            (
                f"{left} set {value:#x}",
                f"{left} set {value:#x}",
                f"{left} set {right}",
                f"{left} set {right} and {mask:#x}",
                f"{left} set {right} or {value:#x}",
                f"{left} set {right} xor {mask:#x}",
                f"{left} set {right} and {mask:#x} or {value:#x}",
                f"{left} set {right} {self.rng.choice(('<<', '>>'))} {self.rng.choice((1, 4, 8))}",
                f"{left} set meta l4proto map {{ tcp : {value:#x}, udp : {mask:#x} }}",
                f'{left} set iifname map {{ "{self.pool.devices[0]}" : {value:#x} }}',
            )
        )

    def _ending(self, where: Where, about: About, more: bool) -> list[str]:
        """The verdict, if any; a rule needs something, so one without anything else counts."""
        kind = self.rng.random()
        if where.type == "nat" and kind < 0.6:
            return self._translation(where, about)
        if kind < 0.24:
            return ["accept"]
        if kind < 0.36:
            return ["drop"] if where.type != "nat" or self.rng.random() < 0.2 else ["return"]
        if kind < 0.56 and (where.hook in REFUSING or where.type == "refusing"):
            return self._refusal(where, about)
        if kind < 0.73 and (verdict := self._leap(where)):
            return [verdict]
        if kind < 0.88:
            return self._map(where, about)
        if kind < 0.94:
            return ["return"]
        return [] if more else ["counter"]

    def _targets(self, where: Where) -> list[str]:
        """Chains that may be jumped to from there."""
        fitting = {"plain"}
        if where.type == "nat":
            fitting.add({"prerouting": "dnat", "output": "dnat"}.get(where.hook, where.hook))
            if where.hook in ("postrouting", "input"):
                fitting.add("snat")
        if where.hook == "input" and where.type == "nat":
            fitting.discard("snat")  # masquerade is not allowed there
        if where.type == "refusing" or (where.hook in REFUSING and where.type != "nat"):
            fitting.add("refusing")
        return [chain.name for chain in self.chains if chain.use in fitting]

    def _leap(self, where: Where) -> str:
        names = self._targets(where)
        if not names:
            return ""
        return f"{self.rng.choice(('jump', 'jump', 'goto'))} {self.rng.choice(names)}"

    def _refusal(self, where: Where, about: About) -> list[str]:
        if about.protocol == "tcp" and self.rng.random() < 0.5:
            # Without a match on TCP nft does not know that the rule is about TCP.
            if self.family == "inet" and self.rng.random() < 0.97:  # else nft may hide the family
                return ["meta l4proto tcp counter reject with tcp reset"]
            return ["meta l4proto tcp reject with tcp reset"]
        kind = self.rng.random()
        if about.version is None or kind < 0.2:
            words = ["reject", f"reject with icmpx {self.rng.choice(ANY_FAMILY)}"]
            return [self.rng.choice(words if self.family == "inet" else words[:1])]
        names = (UNREACHABLE if kind < 0.6 else PROHIBITED)[about.version]
        return [
            f"reject with {'icmp' if about.version == 4 else 'icmpv6'} {self.rng.choice(names)}"
        ]

    def _verdict(self, where: Where) -> str:
        kind = self.rng.random()
        if kind < 0.35 and (verdict := self._leap(where)):
            return verdict
        others = (
            "accept",
            "accept",
            "continue",
            "return",
            "drop" if where.type != "nat" else "accept",
        )
        return self.rng.choice(others)

    def _map(self, where: Where, about: About) -> list[str]:
        """A verdict map, anonymous or named, of one key or several."""
        if self.rng.random() < 0.15:
            return ["ct state vmap { established : accept, invalid : drop, new : continue }"]
        if self.rng.random() < 0.1:
            return ["fib daddr type vmap { local : accept, broadcast : drop, unicast : continue }"]
        keys = [self.rng.choice(self.matches.keys(where, about))]
        if self.rng.random() < 0.4:
            keys = self.matches.several_keys(where, about) or keys
        if any(not key.kind for key in keys):
            return ["accept"]
        left = " . ".join(key.text for key in keys)
        named = where.hook != "" and self.rng.random() < 0.4
        elements = self.matches.elements(keys, self.rng.randint(1, 5), self.rng.random() < 0.5)
        written = [f"{self.matches.written(each)} : {self._verdict(where)}" for each in elements]
        if not named:
            return [f"{left} vmap {{ {', '.join(written)} }}"]
        name = self.fresh("m")
        self.matches.declare("map", name, keys, elements, written, " : verdict")
        return [f"{left} vmap @{name}"]

    # --- translation ---------------------------------------------------------------------------

    def _translation(self, where: Where, about: About) -> list[str]:
        if where.hook in ("postrouting", "snat", "input"):
            return self._source_translation(where, about)
        protocol = about.protocol if about.protocol in ("tcp", "udp") else ""
        lead = [f"meta l4proto {protocol}"] if protocol and self.rng.random() < 0.9 else []
        if self.rng.random() < 0.2:
            return [*lead, self._redirect(protocol if lead else "")]
        if about.version is None:
            return [*lead, f"dnat to :{self.pool.port().text}"] if lead else ["redirect"]
        name = {4: "ip", 6: "ip6"}[about.version]
        dnat = f"dnat {name} to" if self.family == "inet" else "dnat to"
        turn = self.rng.random()
        if turn < 0.45:
            return [*lead, f"{dnat} {self._mapped(about.version, protocol if lead else '')}"]
        target = self._target(about.version)
        if lead and turn < 0.75:
            target = target if about.version == 4 else f"[{target}]"
            target += f":{self.pool.port().text}"
        return [*lead, f"{dnat} {target}"]

    def _redirect(self, protocol: str) -> str:
        if not protocol:
            return "redirect"
        if self.rng.random() < 0.2:
            first, second = self.rng.sample(self.pool.ports, 2)
            return f"redirect to :{protocol} dport map {{ {first} : {second} }}"
        return f"redirect to :{self.pool.port().text}"

    def _mapped(self, version: int, protocol: str) -> str:
        """A new destination by the port, the old destination, or both; with a new port or without;
        in a map of its own or in a named one.
        """
        name, kind = ("ip", "ipv4_addr") if version == 4 else ("ip6", "ipv6_addr")
        keys = [Key(f"{name} daddr", kind, lambda: self.pool.address(version))]
        if protocol:
            port = Key(f"{protocol} dport", "inet_service", self.pool.port)
            keys = self.rng.choice(([port], keys, [*keys, port]))
        elements = self.matches.elements(keys, self.rng.randint(1, 4), wide=False)
        ported = bool(protocol) and self.rng.random() < 0.3
        values = [self._target(version) for _ in elements]
        if ported:
            values = [f"{value} . {self.pool.port().text}" for value in values]
        written = [
            f"{self.matches.written(element)} : {value}"
            for element, value in zip(elements, values, strict=True)
        ]
        left = " . ".join(key.text for key in keys)
        if ported or self.rng.random() < 0.6:
            return f"{left} map {{ {', '.join(written)} }}"
        title = self.fresh("m")
        self.matches.declare("map", title, keys, elements, written, f" : {kind}")
        return f"{left} map @{title}"

    def _target(self, version: int) -> str:
        """A new destination: mostly a host, now and then the host itself or far away."""
        never = (*ground.BROADCAST, *ground.GROUPS, *ground.NOWHERE)
        names = [name for name in self.pool.addresses[version] if name not in never]
        return self.rng.choice([name for name in names if not name.startswith("fe80")])

    def _source_translation(self, where: Where, about: About) -> list[str]:
        protocol = about.protocol if about.protocol in ("tcp", "udp") else ""
        lead = [f"meta l4proto {protocol}"] if protocol and self.rng.random() < 0.2 else []
        ports = ":20000-30000" if lead else ""
        flags = self.rng.choice(("", "", " random", " persistent", " fully-random"))
        if where.hook != "input" and (about.version is None or self.rng.random() < 0.6):
            return [*lead, f"masquerade{' to ' * bool(ports)}{ports}{flags}"]
        if about.version is None:
            return ["accept"]
        to = {4: "ip to", 6: "ip6 to"}[about.version] if self.family == "inet" else "to"
        own = [a for a in ground.own_addresses(about.version) if not a.startswith("fe80")]
        source = self.rng.choice(own)
        if ports:
            source = source if about.version == 4 else f"[{source}]"
        return [*lead, f"snat {to} {source}{ports}{flags}"]


@dataclass(frozen=True)
class Ruleset:
    """A ruleset in nft's words and the values its packets are drawn from."""

    text: str
    pool: Pool
    taste: Taste


def ruleset(rng: Random) -> Ruleset:
    """One random ruleset."""
    source = pool(rng)
    taste = Taste(
        nat=rng.random() < 0.5,
        limits=rng.random() < 0.15,
        notrack=rng.random() < 0.3,
        strict=rng.random() < 0.3,
    )
    numbers = count(1)
    families = rng.choice((("inet",), ("inet", "ip"), ("ip", "ip6"), ("inet", "inet", "ip6")))
    tables = [
        Table(family, f"t{number}", source, taste, numbers).text()
        for number, family in enumerate(families)
    ]
    return Ruleset("".join(tables), source, taste)
