"""What is refused in IPv4 is refused in IPv6: the engine proves it, the naive interpreter is asked.

The same machine asks the same for the same in both families: an area's host, a device, the gateway,
or somebody on the internet whom no place names. What differs between the families is said in
docs/explanation/model.md and left aside here: by which line a source leaves, and an offer, which in
IPv4 is met at the line's address. Places of one family are a finding (`refused-in-one-family`).
`tests/proofs/test_twins.py` plants faults that the promise has to notice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from ipaddress import IPv4Address
from random import Random

from netcharter.plan.shapes import AreaPlan, Plan
from netcharter.proofs.certify import Prover
from netcharter.proofs.twins import prove_families
from tests.oracle import naive
from tests.oracle.compared import NOW, Pair, pair
from tests.oracle.naive import Attempt, Environment, Fate
from tests.oracle.random_attempts import Attempts, translated
from tests.oracle.site import GUEST, NOBODY, TCP, UDP, Address, Site

CHARTERS, QUESTIONS = 12, 400
BY_ROUTE = ("no-line", "no-exit", "local-prefix")
PORTS = (22, 25, 53, 80, 123, 443, 993, 5000, 5005, 5060, 8443, 9100, 40000)

Both = tuple[Address, Address]  # IPv4 first


def host(rng: Random, plan: Plan, area: AreaPlan) -> Both | None:
    """Addresses of somebody in an area whom the charter does not know."""
    known = {a for d in plan.devices for a in (*d.addresses4, *d.addresses6)}
    four = [a for a in area.v4.hosts() if a != area.gateway4 and a not in known]
    if not four or not area.subnets6:
        return None
    subnet = rng.choice(area.subnets6).network
    return rng.choice(four), subnet[rng.randrange(1 << 40, 1 << 41)]


def devices(plan: Plan) -> Iterator[tuple[str, int, Both]]:
    """Devices known by hardware, with lasting addresses of both families: area and one of each."""
    for device in plan.devices:
        if device.hardware and device.addresses4 and device.addresses6:
            yield device.area, device.hardware[0], (device.addresses4[0], device.addresses6[0])


def ends(rng: Random, found: Pair) -> Iterator[tuple[str, int, Both]]:
    """Who may take part, with area and hardware address."""
    yield from devices(found.plan)
    for area in found.plan.areas:
        stranger = host(rng, found.plan, area)
        if stranger is not None:
            yield area.name, 0x0200_00EE_0000 | rng.randrange(1 << 16), stranger


def beyond(rng: Random, found: Pair, drawn: Attempts) -> Iterator[Both]:
    """Somebody on the internet whom no place and no list names, in either family; and the gateway."""
    site = found.site
    near = [one.network for line in site.lines.values() for one in line.interfaces]
    free = {
        version: [
            a
            for a in drawn.internet[version]
            if not any(naive.in_place(site, place, a) for place in site.places)
            and not naive.is_hostile(site, a)
            and not any(naive.inside(a, network) for network in near)
        ]
        for version in (4, 6)
    }
    if free[4] and free[6]:
        yield rng.choice(free[4]), rng.choice(free[6])
    far = [a for a in drawn.internet[4] if not any(naive.inside(a, n) for n in near)]
    for address in rng.sample(far, min(len(far), 3)):  # whoever it is, named or not
        if isinstance(address, IPv4Address):
            for six in translated(site, address):
                there, here = _places(site, six), _places(site, address)
                if naive.stands_for(site, six) is not None:
                    assert here <= there, f"{found.seed}: {six} is in fewer places than {address}"
                # What is written in IPv6 about a translator's addresses says nothing of IPv4 (model.md)
                if there <= here:
                    yield address, six
    for area in found.plan.areas:
        if area.subnets6:
            yield area.gateway4, area.subnets6[0].gateway


def _places(site: Site, address: Address) -> set[str]:
    return {place for place in site.places if naive.in_place(site, place, address)}


def asked(found: Pair, count: int) -> Iterator[tuple[list[Attempt], Environment]]:
    """The same in both families, IPv4 first."""
    rng = Random(f"{found.seed} families")
    drawn = Attempts(found.site, rng, NOW)
    for _ in range(count):
        starts = list(ends(rng, found))
        if not starts:
            return
        area, hardware, source = rng.choice(starts)
        others = [one for name, _, one in starts if name != area]
        destination = rng.choice([*others, *others, *beyond(rng, found, drawn)])
        signs = found.site.areas[area].sign_in
        who = rng.choice([NOBODY, GUEST, *found.site.people]) if signs else NOBODY
        around = Environment(frozenset(found.site.lines), who, rng.choice(drawn.instants))
        protocol, port = rng.choice((TCP, UDP)), rng.choice(PORTS)
        yield (
            [Attempt(area, source[n], hardware, destination[n], protocol, port) for n in (0, 1)],
            around,
        )


def test_what_ipv4_refuses_ipv6_refuses() -> None:
    met: Counter[tuple[str, str]] = Counter()
    for number in range(CHARTERS):
        found = pair(number)
        assert prove_families(Prover(found.plan, NOW)).holds, f"{found.seed}\n{found.text}"
        for attempts, around in asked(found, QUESTIONS):
            four, six = (naive.fate(found.site, one, around) for one in attempts)
            met[four.verdict, six.verdict] += 1
            assert _no_wider(four, six), f"{found.seed}\n{found.text}\n{attempts}\n{four}\n{six}"
    # That both were met; how often differs widely between sets of charters.
    assert met["let", "let"] >= 10 and met["refused", "refused"] >= 100, met


def _no_wider(four: Fate, six: Fate) -> bool:
    if six.verdict == "refused" or four.verdict == "let":
        return True
    return six.kind == "offer" or four.decider in BY_ROUTE
