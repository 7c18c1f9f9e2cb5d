"""What the steward knows and does about ways out: lines in one IP version each, what is seen of them,
and what the kernel has to be told.

A line that failed keeps its route. Taken away are the rules by which new conversations find it
(`render.routes.leading`), and its share of the balanced route: so the questions by which it is
watched still find their way, marked with the line's number, and nobody has to remember a route that
DHCP or a router brought.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from netcharter.render.routes import Share, hops_of, route_together
from netcharter.rollout.network import MAIN

Key = tuple[str, int]  # a line and an IP version
Words = frozenset[tuple[str, str]]  # of a rule: what it asks and does, keyword by keyword
Place = tuple[str, str]  # a device, and an address on it with the length of its network
_MAIN = "main"


@dataclass(frozen=True, slots=True)
class Limits:
    """When a line has failed. every: seconds between two rounds of questions; loss: the share that
    may stay unanswered; delay: seconds that answers may take, None: any."""

    every: float = 2.0
    loss: float = 0.5
    delay: float | None = None


@dataclass(frozen=True, slots=True)
class Leg:
    """A line in one IP version. number: also its mark. own: the address it is asked from, "" where
    it learns that; network: addresses beyond it that are the site's own. targets: who is asked;
    named: by the charter, so that nobody's answer means that it has failed. choices: the rules by
    which new conversations find it; route: what gives it its default route in `table`, "" where it
    learns that."""

    line: str
    family: int
    number: int
    device: str
    table: str
    own: str = ""
    network: str = ""
    targets: tuple[str, ...] = ()
    named: bool = False
    limits: Limits = Limits()
    choices: tuple[str, ...] = ()
    route: str = ""

    @property
    def key(self) -> Key:
        return self.line, self.family

    @property
    def learns(self) -> bool:
        """Whether somebody else brings its route."""
        return not self.route


@dataclass(frozen=True, slots=True)
class Ways:
    """All lines in all IP versions, in the order of the charter. balanced: the parts of lines that
    are balanced together, by IP version and line. together: the bit in the mark of conversations
    whose exit says so, 0 where none does; stays: by line, the set of the IPv4 addresses whose new
    conversations stay on it meanwhile; gone: by IP version, the set of the numbers of lines whose TCP
    conversations are reset; prefixes: by line that has one, the gateway's own addresses
    in the areas; bound: exits that refuse other lines, each with its own."""

    legs: tuple[Leg, ...] = ()
    balanced: Mapping[int, Mapping[str, Share]] = field(default_factory=dict)
    together: int = 0
    stays: Mapping[str, str] = field(default_factory=dict)
    prefixes: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)
    gone: Mapping[int, str] = field(default_factory=dict)
    bound: tuple[tuple[str, frozenset[str]], ...] = ()

    def of(self, family: int) -> tuple[Leg, ...]:
        return tuple(leg for leg in self.legs if leg.family == family)


@dataclass(frozen=True, slots=True)
class Held:
    """What a kernel has. carrier: by device; routes: IP version, table and device of each default
    route that leads somewhere, and by those three in `learnt` the words of its hop where it has just
    one; rules: by IP version; hops: of the balanced route, by IP version in the
    kernel's order, each as the words of `render.routes`."""

    carrier: Mapping[str, bool] = field(default_factory=dict)
    routes: frozenset[tuple[int, str, str]] = frozenset()
    rules: Mapping[int, frozenset[Words]] = field(default_factory=dict)
    hops: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    learnt: Mapping[tuple[int, str, str], str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Flow:
    """A conversation whose exit says `together`. source: who began it; number: of its line; packets:
    both ways so far, None: they are not counted."""

    source: str
    number: int
    packets: int | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What a round has seen. began: when, at: the same in seconds from boot, which nobody sets; due:
    when the next one is; asked: by leg, the seconds after which each target answered, None: it did
    not; a leg that was not asked is missing. flows: None where they were not looked at; fault: why
    nobody could be asked; changing: somebody leads the machine to another version just now.
    prefixes: addresses that the kernel has, and of each whether its preferred time is over."""

    began: datetime
    at: float
    due: datetime
    held: Held
    asked: Mapping[Key, Mapping[str, float | None]] = field(default_factory=dict)
    flows: tuple[Flow, ...] | None = None
    fault: str = ""
    changing: bool = False
    prefixes: Mapping[Place, bool] = field(default_factory=dict)


# --- what the kernel is told ---------------------------------------------------------------------


def amiss(ways: Ways, out: Collection[Key], held: Held) -> dict[int, str]:
    """The text for `ip -batch` by IP version that makes the kernel lead new conversations by all
    lines but those that are out; nothing where it does so already."""
    found = {}
    for family in held.rules:
        lines = [*_chosen(ways, family, out, held), *_routed(ways, family, out, held)]
        if lines:
            found[family] = "\n".join(lines) + "\n"
    return found


def _chosen(ways: Ways, family: int, out: Collection[Key], held: Held) -> Iterator[str]:
    there = held.rules[family]
    for leg in ways.of(family):
        for text in leg.choices:
            if (asked(text) in there) is (leg.key in out):
                yield text.replace("rule add ", "rule del ", 1) if leg.key in out else text


def _routed(ways: Ways, family: int, out: Collection[Key], held: Held) -> Iterator[str]:
    """Routes that the kernel dropped with their device come back once that has a carrier."""
    for leg in ways.of(family):
        gone = (family, leg.table, leg.device) not in held.routes
        if leg.route and gone and held.carrier.get(leg.device):
            yield leg.route
    shares = ways.balanced.get(family, {})
    hops = shared(shares, family, out, held)
    if shares and _plain(family, hops) != _plain(family, held.hops.get(family, ())):
        yield route_together(family, hops)


def shared(
    shares: Mapping[str, Share], family: int, out: Collection[Key], held: Held
) -> tuple[str, ...]:
    """The hops that the balanced route is to have. A line that has not learnt its own is left out."""
    there: dict[str, str] = {}
    for name, share in shares.items():
        hop = share.hop or held.learnt.get((family, share.table, share.device), "")
        if hop and (name, family) not in out:
            there[name] = hop
    return hops_of(family, shares, there)


def _plain(family: int, hops: tuple[str, ...]) -> tuple[str, ...]:
    """The kernel lists those of IPv6 in an order of its own, and it says nothing there."""
    return hops if family == 4 else tuple(sorted(hops))


def asked(text: str) -> Words:
    """What a rule of a kit asks and does, in the words in which the kernel tells it."""
    words = text.split()[2:]
    pairs = zip(words[::2], words[1::2], strict=True)
    return frozenset((k, MAIN if (k, v) == ("lookup", _MAIN) else v) for k, v in pairs)


def inside(leg: Leg, held: Held) -> bool | None:
    """Whether new conversations find a leg; None: that is not known."""
    rules = held.rules.get(leg.family)
    return None if rules is None else all(asked(text) in rules for text in leg.choices)


def found_by(leg: Leg, held: Held) -> bool:
    """Whether any rule leads new conversations to a leg."""
    return any(asked(text) in held.rules.get(leg.family, ()) for text in leg.choices)


def routed(leg: Leg, held: Held) -> bool:
    """Whether a leg has a default route that leads somewhere."""
    return (leg.family, leg.table, leg.device) in held.routes


def without(text: str, ways: Ways, family: int, out: Iterable[Key]) -> str:
    """A kit's text of routes and rules as it is to be while some lines are out."""
    gone = set(out)
    rules = {one for leg in ways.of(family) if leg.key in gone for one in leg.choices}
    shares = ways.balanced.get(family, {})
    known = {name: share.hop for name, share in shares.items() if share.hop}
    used = {name: hop for name, hop in known.items() if (name, family) not in gone}
    left = hops_of(family, shares, used)
    whole, rest = (route_together(family, hops) for hops in (hops_of(family, shares, known), left))
    found = []
    for line in text.splitlines():
        if line == whole and shares:
            found += [rest] if left else []
        elif line not in rules:
            found.append(line)
    return "\n".join(found) + "\n"
