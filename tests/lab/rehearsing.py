"""Rehearsals for tests: a small site with something of everything, and what became of a kit there."""

from __future__ import annotations

import time
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from unittest.mock import patch

from netcharter.charter.read import read
from netcharter.lab.apart import apart
from netcharter.lab.leading import fill
from netcharter.lab.lent import Lent
from netcharter.lab.named import Named
from netcharter.lab.performance import Performed, perform
from netcharter.lab.rehearsal import Rehearsal, rehearse
from netcharter.lab.site import Site
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.programme import programme
from netcharter.probes.shapes import Programme, World
from netcharter.render import render
from tests.kernel.namespace import needed

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow"
SECONDS = 300.0  # for a rehearsal that takes ten at most
SMALL = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper:
    device: eth0
    address: [203.0.113.10/29, '2001:db8:7aff::2/64']
    next-hop: [203.0.113.9, '2001:db8:7aff::1']
    prefix: 2001:db8:7a00::/48
  mast: {device: eth1, address: 198.51.100.18/28, next-hop: 198.51.100.17, role: standby}
areas:
  office: {device: eth2, hosts: 12}
  bunkrooms: {device: eth3, hosts: 12, sign-in: required, apart: true}
  tills: {device: eth4, hosts: 4, strangers: refused}
  barn: {device: eth5, hosts: 3}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: lasting}
  booking: {area: barn, hardware: '02:00:00:aa:00:02', address: lasting}
  till-1: {area: tills, hardware: '02:00:00:aa:00:03', address: lasting}
people:
  rowan: {}
places:
  payments: {prefixes: [192.0.2.64/28]}
hours:
  evening: {weekly: {mon-sun: ['18:00-22:00']}}
rules:
  - {let: tills, reach: payments, with: https, because: card payments}
  - {refuse: rowan, reach: internet, with: smtp, because: no mail from here}
  - {let: rowan, reach: internet, with: [http, https, smtp], during: evening, because: leisure}
  - {let: office, reach: internet, with: [http, https, ntp], because: daily work}
  - {let: office, reach: [barn, tills], with: ssh, because: repairs}
offers:
  - {offer: https, on: copper, to: booking, because: bookings}
  - {offer: http, on: mast, to: booking, because: the same while copper is down}
"""


@cache
def planned(text: str) -> Plan:
    reading = read(text, "charter.yaml")
    assert reading.charter is not None, reading.diagnostics
    found = make_plan(reading.charter)
    assert not [note for note in found.notes if note.severity == "error"], found.notes
    return found


def small() -> Plan:
    return planned(SMALL)


def demo(name: str = "charter.yaml") -> Plan:
    return planned((DEMO / name).read_text(encoding="utf-8"))


def kit(plan: Plan) -> dict[str, bytes]:
    return dict(render(plan).files)


def rehearsed(plan: Plan, files: Mapping[str, bytes], limit: int = 6000) -> Rehearsal:
    """Without leases and names, which test_lent and test_named are about. Skipped where there can be no
    lab."""
    needed()
    room, why = "netcharter.lab.rehearsal", "not tried here"
    with patch(f"{room}.lent", lambda *_: Lent(why)), patch(f"{room}.named", lambda *_: Named(why)):
        return rehearse(plan, files, NOW, limit=limit, seconds=SECONDS)


@cache
def _programme(text: str, limit: int) -> Programme:
    plan = planned(text)
    return programme(plan, world(plan), NOW, limit=limit)


def tried(text: str, files: Mapping[str, bytes], limit: int) -> Performed:
    """The probes alone, without the proof about what the kernel has loaded."""
    plan = planned(text)
    return played(plan, files, _programme(text, limit), world(plan))


def played(plan: Plan, files: Mapping[str, bytes], work: Programme, where: World) -> Performed:
    """A programme in a lab of its own. Skipped where there can be no lab."""
    needed()
    ruleset = files["nftables.nft"].decode("ascii")

    def within() -> Performed:
        with Site(plan, files, work.stations, where) as site:
            fill(plan, where, site)
            end = time.monotonic() + SECONDS
            return perform(plan, work, site, ruleset, end, lambda done, total, words: None)

    return apart(within, limit=SECONDS + 60)
