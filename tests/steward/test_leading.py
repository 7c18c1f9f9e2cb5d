"""Addresses of places stay in the sets while an answer that led there is good, whoever asks when.

The sets are a model of the kernel's here: an element that is there stays as it is when it is added
(nft(8), "add element"; Linux 6.1), and one that is there can't be created. That a kernel does so, and
that dnsmasq asks it in this order, is tests/kernel/test_leading.py's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import cast
from zoneinfo import ZoneInfo

import pytest

from netcharter.render.leading import ANSWERED, LASTING
from netcharter.steward import nft
from netcharter.steward.duties.leading import EVERY, KEPT, State, decide
from netcharter.steward.shapes import Clock, Facts, Leads, Led, Renew, Renewal, Schedule

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
ONE, OTHER = (
    Led("pay", "nc_led4_pay", "nc_asked4_pay"),
    Led("bank", "nc_led4_bank", "nc_asked4_bank"),
)
A, B = "192.0.2.1", "192.0.2.2"


def facts(found: Leads | None, *led: Led) -> Facts:
    schedule = Schedule("Hut", ZoneInfo("UTC"), {}, (), (), ())
    return Facts(Clock(True), schedule=replace(schedule, led=led), leads=found)


def renewals(found: Leads, *led: Led) -> tuple[Renewal, ...]:
    decision = decide(State(), facts(found, *led), NOW)
    assert decision.wake == NOW + EVERY
    return cast(Renew, decision.effects[0]).renewals if decision.effects else ()


def test_what_is_asked_for_or_spoken_with_is_renewed_and_what_is_not_goes() -> None:
    old, young = LASTING - KEPT, LASTING - KEPT + 1.0
    sets = {ONE.set: {A: old, B: old, "192.0.2.3": old, "192.0.2.4": young}, ONE.asked: {A: 5.0}}
    assert renewals(Leads(sets, frozenset({B})), ONE) == (
        Renewal(ONE.set, ONE.asked, (A, B), ("192.0.2.3",)),
    )
    assert renewals(Leads({ONE.set: {A: young}, ONE.asked: {}}), ONE) == ()
    assert decide(State(), facts(None, ONE), NOW).effects == ()


def test_places_that_share_an_address_are_told() -> None:
    sets = {ONE.set: {A: 9.0, B: 9.0}, OTHER.set: {A: 9.0}}
    (report,) = decide(State(), facts(Leads(sets), ONE, OTHER), NOW).reports
    assert (report.bad, report.severity, report.mark) == (True, "note", "pay and bank")
    assert report.text == f"pay and bank share {A}"
    (report,) = decide(State(), facts(Leads({ONE.set: {A: 9.0}}), ONE, OTHER), NOW).reports
    assert not report.bad


def test_what_is_loaded_is_addresses_of_sets_of_ours() -> None:
    for bad in (Renewal("nc_x; flush", "nc_y", (A,), ()), Renewal("nc_x", "nc_y", ("x }",), ())):
        with pytest.raises(ValueError):
            list(nft.renewed(bad))
    with pytest.raises(ValueError):
        nft.dropped(Renewal("nc_x", "nc_y", (), ()), "192.0.2.1 }")
    assert (
        nft.elements(b'{"nftables": [{"set": {"elem": [{"elem": {"val": "x", "expires": 1}}]}}]}')
        == {}
    )
    assert nft.elements(b"no listing") == {}


@dataclass
class Kernel:
    """Two sets of one place, by the instants at which their elements end."""

    led: dict[str, float] = field(default_factory=dict)
    asked: dict[str, float] = field(default_factory=dict)

    def ended(self, now: float) -> None:
        for one in (self.led, self.asked):
            for address in [address for address, end in one.items() if end <= now]:
                del one[address]

    def add(self, held: dict[str, float], address: str, now: float) -> None:
        self.ended(now)
        held.setdefault(address, now + LASTING)

    def listed(self, now: float) -> Leads:
        self.ended(now)
        sets = {ONE.set: self.led, ONE.asked: self.asked}
        return Leads(
            {name: {a: end - now for a, end in held.items()} for name, held in sets.items()}
        )

    def renew(self, found: Renewal, now: float) -> None:
        self.ended(now)
        for address in found.renewed:
            self.led[address] = now + LASTING
            self.asked.pop(address, None)

    def drop(self, found: Renewal, now: float) -> None:
        self.ended(now)
        for address in found.dropped:
            if address not in self.asked:
                self.led.pop(address, None)


@pytest.mark.parametrize("seed", range(30))
def test_no_answer_outlives_its_address(seed: int) -> None:
    """Hosts ask at random, dnsmasq and the steward take turns in every way in which two can."""
    rng = Random(seed)
    kernel, now, good = Kernel(), 0.0, dict.fromkeys((A, B), 0.0)
    pause = float(rng.choice((5, 60, 300, 900)))  # the steward may be late, by a quarter of an hour
    due, listed = 0.0, None
    busy = rng.choice((5.0, 60.0, 200.0, 700.0, 1500.0))
    while now < 4 * 3600:
        now += rng.expovariate(1 / busy) if rng.random() < 0.8 else rng.random()
        kernel.ended(now)
        for address, until in good.items():
            assert now > until or address in kernel.led, (address, now)
        if now >= due:
            listed, due = kernel.listed(now), now + pause * rng.uniform(0.5, 1.0)
        address = rng.choice((A, B))
        asks = rng.random() < 0.7
        if asks:
            kernel.add(kernel.asked, address, now)
        for found in renewals(listed, ONE) if listed is not None else ():
            # as much later than it was listed as comes; between both of dnsmasq's steps, too
            kernel.renew(found, now)
            kernel.drop(found, now)
        listed = None if rng.random() < 0.8 else listed
        if asks:
            kernel.add(kernel.led, address, now)
            good[address] = now + ANSWERED


def test_the_times_leave_room_for_a_steward_that_stands_still() -> None:
    assert LASTING - KEPT - EVERY / timedelta(seconds=1) > 900 + ANSWERED
