"""How long a lab of 60 hosts takes to come up: 12 areas of 5 stations, 2 lines, the kit loaded.

The plan and the kit are made before and are not counted. Figures are seconds on the clock, since
most of the work is the kernel's and that of `ip` and `nft`.

Run it as ``python -m benchmarks.lab_speed``, as root for both ways.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from statistics import median

from netcharter.charter.read import read
from netcharter.lab.apart import apart
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Station
from netcharter.render import render

AREAS, HOSTS = 12, 5
ROUNDS = 7
AIM = 3.0  # seconds
HARDWARE = 0x020000AA0000


def text() -> str:
    """The charter: every area reaches the internet, each one of its hosts its neighbour area."""
    lines = [
        "charter: 1",
        "site: {name: Bench, timezone: Europe/London, managed-from: h-1-1}",
        "lines:",
        "  copper: {device: eth0, rate: {down: 40 Mbit/s, up: 8 Mbit/s},",
        "           address: [203.0.113.10/29, '2001:db8:7aff::2/64'],",
        "           next-hop: [203.0.113.9, '2001:db8:7aff::1'], prefix: '2001:db8:7a00::/48'}",
        "  mast: {device: eth1, address: automatic, role: standby}",
        "areas:",
    ]
    for area in range(1, AREAS + 1):
        lines.append(f"  a-{area}: {{device: eth2, vlan: {area}, hosts: 20}}")
    lines.append("devices:")
    for area in range(1, AREAS + 1):
        for host in range(1, HOSTS + 1):
            number = f"{HARDWARE + area * 256 + host:012x}"
            address = ":".join(number[at : at + 2] for at in range(0, 12, 2))
            said = f"{{area: a-{area}, hardware: '{address}', address: lasting}}"
            lines.append(f"  h-{area}-{host}: {said}")
    lines.append("rules:")
    for area in range(1, AREAS + 1):
        lines.append(f"  - {{let: a-{area}, reach: internet, with: https, because: work}}")
        other = area % AREAS + 1
        lines.append(f"  - {{let: h-{area}-1, reach: a-{other}, with: ssh, because: work}}")
    return "\n".join(lines) + "\n"


def planned() -> Plan:
    found = read(text(), "charter.yaml").charter
    assert found is not None
    return make_plan(found)


def stations(plan: Plan) -> tuple[Station, ...]:
    lines = [Station(line.name, line.name, 0, ()) for line in plan.lines]
    hosts = [
        Station(d.name, d.area, d.hardware[0], (*d.addresses4, *d.addresses6)) for d in plan.devices
    ]
    return (*lines, *hosts)


def told(name: str, action: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Time some rounds, and say how long they took."""
    seconds = []
    for _ in range(rounds):
        start = time.perf_counter()
        action()
        seconds.append(time.perf_counter() - start)
    middle = median(seconds)
    spread = f"({min(seconds) * 1000:.2f} to {max(seconds) * 1000:.2f}, {rounds} runs)"
    print(f"  {name:40} {middle * 1000:9.2f} ms  {spread}")
    return middle


def measure(plan: Plan, as_user: bool) -> None:
    files, found, chosen = render(plan).files, stations(plan), world(plan)

    def bring_up() -> float:
        start = time.perf_counter()
        with Site(plan, files, found, chosen):
            return time.perf_counter() - start

    def use() -> None:
        with Site(plan, files, found, chosen) as site:
            told("counters", site.counters, 50)
            told("forget all conversations", site.forget, 50)
            told("a line down and up again", lambda: _flip(site), 20)
            told("one element into a set", lambda: site.nft(ELEMENT), 20)
            told("listing", site.listing, 5)

    inside = sorted(apart(bring_up, as_user=as_user) for _ in range(ROUNDS))
    verdict = "within" if inside[ROUNDS // 2] < AIM else "MISSED"
    print(
        f"  up: median {inside[ROUNDS // 2]:.2f} s ({inside[0]:.2f} to {inside[-1]:.2f}), ", end=""
    )
    print(f"aim {AIM:.0f} s: {verdict}")
    told("apart with nothing to do", lambda: apart(lambda: None, as_user=as_user))
    told("the same, up, and all gone again", lambda: apart(bring_up, as_user=as_user))
    apart(use, as_user=as_user)


ELEMENT = "add element inet netcharter nc_line4_mast { 192.0.2.1 timeout 1h }\n"


def _flip(site: Site) -> None:
    site.lines(frozenset({"mast"}))
    site.lines(frozenset({"mast", "copper"}))


def main() -> None:
    plan = planned()
    size = len(render(plan).files["nftables.nft"])
    print(f"{len(stations(plan))} stations, {len(plan.areas)} areas, ruleset of {size // 1000} kB")
    for as_user in (False, True):
        if as_user or os.geteuid() == 0:
            print("in a user namespace" if as_user else "as root")
            measure(plan, as_user)


if __name__ == "__main__":
    main()
