"""Probes one after the other through a site: what was seen of each, and what disagrees.

Each probe is alone in the lab, so the counters that move are its own. One that disagrees is tried
once more before that is believed, and once again while its frames are recorded.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from netcharter.lab.scene import Scene
from netcharter.lab.site import TABLE, Site
from netcharter.lab.topology import BY_THE_GATEWAY
from netcharter.plan import labels
from netcharter.plan.shapes import Address, Plan
from netcharter.probes.captures import pcapng
from netcharter.probes.field import Field
from netcharter.probes.judge import differences
from netcharter.probes.shapes import GATEWAY, Mismatch, Probe, Programme, Seen
from netcharter.render.nftables import ANSWERS

RATE = BURST = ANSWERS  # refusals that a kit answers (docs/explanation/kit.md)
MARGIN = 0.9  # of both, that a rehearsal asks for
ROUTING_RATE, ROUTING_BURST = 0.9, 5
REFUSED = ("reset", "prohibited", "unreachable")
TOLD = ("prohibited", "unreachable")  # by ICMP errors
# Errors leave by one socket a processor, which all namespaces share: where some 155 of them wait for
# neighbours that do not answer, anywhere on the machine, no other is sent (tried; Linux 6.18). After
# three seconds the kernel gives such neighbours up.
GIVEN_UP = 3.5
WAITS = 3  # how often a rehearsal waits so long in vain
FEW = 12  # probes that are listed one by one
MOST = 200  # mismatches that are recorded: beyond, something is wrong that they all show
# IPv6 hosts are told of a shorter way at the kernel's own pace, and no setting of it stops that.
# What a program sends, a probe for instance, has an owner.
UNPROMPTED = """
table inet lab {
    chain out {
        type filter hook output priority -400; policy accept;
        icmpv6 type nd-redirect meta skuid >= 0 accept
        icmpv6 type nd-redirect drop
    }
}
"""
DIFFERS = (
    "what the gateway's kernel says unprompted is not heard: redirects of IPv6, which the kit would"
    " refuse, and which would be counted at the kernel's own pace"
)
LITE = (
    "packets of UDP-Lite have the checksum that Linux's conntrack takes for right, which is UDP's;"
    " one by RFC 3828 it would call invalid, and drop"
)
LIMITS = (
    "what a limit per source counts is forgotten before each probe, so no probe is beyond one; that"
    " who is beyond it is refused is not rehearsed"
)
Heard = Callable[[int, int, str], None]


@dataclass(slots=True)
class Performed:
    """How far a programme came. captures: file name -> content, for mismatches that name one.
    listed: what each probe did, where there are few.
    """

    done: int = 0
    agreed: int = 0
    repeated: int = 0  # probes that disagreed once and then did not
    mismatches: list[Mismatch] = field(default_factory=list)
    captures: dict[str, bytes] = field(default_factory=dict)
    listed: list[tuple[Probe, Seen]] = field(default_factory=list)


def perform(
    plan: Plan, programme: Programme, site: Site, ruleset: str, end: float, heard: Heard
) -> Performed:
    """Try a whole programme, until the moment `end` of the monotonic clock at the latest.

    ruleset: the kit's. `heard` is told how far it is. Raises what `Field` and `Site` raise.
    """
    found = Performed()
    site.nft(UNPROMPTED)
    scene = Scene(plan, programme.stations, site, ruleset)
    with Field(site.places, BY_THE_GATEWAY) as where:
        performer = Performer(plan, site, where)
        for setting, group in groupby(programme.probes, key=lambda probe: probe.setting):
            probes = list(group)
            scene.put(setting, probes)
            for probe in probes:
                if time.monotonic() > end:
                    return found
                performer.take(probe, found)
                heard(found.done, len(programme.probes), probe.told)
    return found


class Performer:
    """Probes through one site."""

    def __init__(
        self, plan: Plan, site: Site, where: Field, sleep: Callable[[float], None] = time.sleep
    ) -> None:
        self._site = site
        self._field = where
        self._sleep = sleep
        self._pace = Pace(_refusing(plan))
        self._limits = dict(_limits(plan))
        self._waits = WAITS

    def take(self, probe: Probe, found: Performed) -> None:
        """Try one probe and note what came of it."""
        found.done += 1
        seen = self.see(probe)
        wrong = differences(probe, seen)
        if wrong:
            seen = self.see(probe)
            wrong = differences(probe, seen)
            if wrong and self._waits and probe.expected.answer in TOLD and seen.answer == "silent":
                self._sleep(GIVEN_UP)
                seen = self.see(probe)
                wrong = differences(probe, seen)
                self._waits -= bool(wrong)
            found.repeated += not wrong
        if found.done <= FEW:
            found.listed.append((probe, seen))
        if not wrong:
            found.agreed += 1
            return
        mismatch = Mismatch(probe, seen, wrong)
        if len(found.mismatches) < MOST:
            name = f"probe-{probe.number}.pcapng"
            found.captures[name] = self._recorded(probe, seen, wrong)
            mismatch = replace(mismatch, capture=name)
        found.mismatches.append(mismatch)

    def see(self, probe: Probe) -> Seen:
        """Send one probe as a conversation of its own, and see what becomes of it."""
        self._sleep(self._pace.wait(probe))
        self._site.forget()
        for name in probe.expected.counters:
            if name in self._limits:
                self._site.nft(self._limits[name])
        before = self._site.counters()
        ((answer, arrivals),) = self._field.send([probe])
        after = self._site.counters()
        changed = {name: n - before.get(name, 0) for name, n in after.items()}
        seen = Seen(answer, arrivals, {name: n for name, n in changed.items() if n})
        self._pace.note(probe, seen)
        return seen

    def _recorded(self, probe: Probe, seen: Seen, wrong: Sequence[str]) -> bytes:
        """The frames of one more try, at all who have to do with it."""
        names = (
            probe.station,
            *sorted(probe.expected.arrives),
            *(a.station for a in seen.arrivals),
        )
        stations = list(dict.fromkeys((*names, GATEWAY)))
        with self._field.recording(stations) as taken:
            self.see(probe)
        return pcapng(taken, f"{probe.told}: {'; '.join(wrong)}")


def _refusing(plan: Plan) -> frozenset[str]:
    """The counters of decisions that end in `nc_refuse`."""
    answering = (row for row in plan.rows if not (row.let or row.quiet or row.routed))
    return frozenset(labels.row_name(row.label) for row in answering)


def _limits(plan: Plan) -> Iterator[tuple[str, str]]:
    """By the counter of a decision that is let only so often per source: nft's commands after which
    nobody has begun anything."""
    for row in plan.rows:
        if row.limit is None or not row.regions:
            continue
        said, family = row.limit.said, 4 if row.delivery else 6
        asked = (
            (said.begun, labels.begun_set(row.limit.offer, family)),
            (said.at_once, labels.open_set(row.limit.offer, family)),
        )
        flushed = (f"flush set inet {TABLE} {name}\n" for most, name in asked if most)
        yield labels.row_name(row.label), "".join(flushed)


class Bucket:
    """Leave to do something so often at once, and so often a second in the long run."""

    def __init__(self, burst: float, rate: float, now: float) -> None:
        self._burst, self._rate = burst, rate
        self._left, self._at = burst, now

    def wait(self, now: float) -> float:
        """Seconds until it may be done."""
        self._left = min(self._burst, self._left + (now - self._at) * self._rate)
        self._at = now
        return max(0.0, (1 - self._left) / self._rate)

    def take(self) -> None:
        """It was done."""
        self._left -= 1


class Pace:
    """Never as many refusals as meet a limit beyond which there is silence: the kit's own, and
    Linux's on what routing says to one address in IPv4 (`ip_error`: five, then one a second).

    refusing: counters of the decisions that the kit answers.
    """

    def __init__(
        self, refusing: frozenset[str], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._refusing = refusing
        self._clock = clock
        self._kit = Bucket(BURST * MARGIN, RATE * MARGIN, clock())
        self._routing: dict[Address, Bucket] = {}

    def wait(self, probe: Probe) -> float:
        """Seconds until it may be sent."""
        now = self._clock()
        expected = probe.expected
        if self._refusing.intersection(expected.counters):
            return self._kit.wait(now)
        if expected.answer in REFUSED and not expected.counters:
            return self._by_routing(probe, now).wait(now)
        return 0.0

    def note(self, probe: Probe, seen: Seen) -> None:
        """What came of it. A refusal that nobody could answer counts, too."""
        if self._refusing.intersection(seen.counters):
            self._kit.take()
        elif seen.answer in REFUSED and not seen.counters:
            self._by_routing(probe, self._clock()).take()

    def _by_routing(self, probe: Probe, now: float) -> Bucket:
        source = probe.packet.source
        if probe.station == GATEWAY or source.version == 6:
            return Bucket(BURST, RATE, now)  # no such limit: told by the call, or lifted in the lab
        return self._routing.setdefault(source, Bucket(ROUTING_BURST, ROUTING_RATE, now))
