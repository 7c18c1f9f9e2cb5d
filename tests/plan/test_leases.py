"""Pools and leases: by published numbers, and by people who come and go one after the other."""

from __future__ import annotations

import heapq
from fractions import Fraction
from ipaddress import ip_network
from random import Random

import pytest

from netcharter.charter.lending import DAY, HOUR, MINUTE, lease, spelt
from netcharter.charter.read import read
from netcharter.diagnostics import Diagnostic
from netcharter.plan import make_plan
from netcharter.plan.leases import Lending, lending, own4, told
from netcharter.plan.shapes import Plan
from netcharter.space.ranges import Ranges

SITE = """
charter: 1
site: {{name: Far Hut, timezone: UTC, managed-from: [desk]}}
lines: {{copper: {{device: eth0}}}}
areas:
  hall: {{device: eth1, {area}}}
  home: {{device: eth2, prefix: 10.2.0.0/24}}
devices:
  desk: {{area: home, hardware: 02:00:00:aa:00:01, address: lasting}}
{devices}"""


def planned(area: str, devices: str = "") -> Plan:
    charter = read(SITE.format(area=area, devices=devices), "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def hall(area: str, devices: str = "") -> Lending:
    plan = planned(area, devices)
    return lending(plan.charter, plan.areas, plan.devices)[0]


def notes(area: str, devices: str = "") -> list[Diagnostic]:
    return list(planned(area, devices).notes)


def hosts(addresses: int) -> Ranges:
    return ((1, addresses),) if addresses else ()


def of(pool: int, here: int, left: int, per_hour: int, lease: int = 12 * HOUR) -> Lending:
    return Lending("x", lease, hosts(pool), 0, here, left, Fraction(per_hour, HOUR))


def test_littles_law_thirty_an_hour_for_a_day_are_720_and_a_24_carries_8_43_hours() -> None:
    """L = λW (Little 1961): 30 per hour x 24 h = 720 > 253; 253 / 30 = 8.43 h; for 1 h it is 30."""
    day = hall("prefix: 10.1.0.0/24, turnover: 30 per hour, lease: 1 day")
    assert (day.held, day.room) == (720, 253)
    assert day.full_after == day.fitting_lease == 506 * MINUTE  # 8.43 h
    assert hall("prefix: 10.1.0.0/24, turnover: 30 per hour, lease: 1h").held == 30
    assert day.fitting_prefix == 22  # 1024 - 3 >= 720 > 512 - 3


@pytest.mark.parametrize("seed", range(6))
def test_people_who_come_and_go_never_hold_more_than_was_reckoned(seed: int) -> None:
    """Played one by one: each comes, renews at half of the lease, and goes when it likes. The most
    that was ever held is no more than those who were there at a time and those left behind."""
    rng = Random(seed)
    every, length = rng.choice([60, 300, 900]), rng.choice([600, 3600, 12 * HOUR])
    ends: list[float] = []
    there: list[float] = []
    most_held = most_there = 0
    for number in range(3000):
        now = number * every
        stay = rng.choice([rng.uniform(0, length / 2), rng.uniform(0, 3 * length)])
        renewals = int(stay // (length / 2))
        heapq.heappush(there, now + stay)
        heapq.heappush(ends, now + renewals * length / 2 + length)
        for queue in (there, ends):
            while queue and queue[0] <= now:
                heapq.heappop(queue)
        most_there, most_held = max(most_there, len(there)), max(most_held, len(ends))
    one = of(1, most_there, -(-length // every), HOUR // every, length)
    assert most_there < most_held <= one.held


def test_a_pool_that_is_said_to_be_empty_after_a_time_is() -> None:
    """Nobody goes within it, so it is a matter of counting."""
    one = of(pool=100, here=40, left=360, per_hour=30)
    taken, second = 40, 0
    while taken < 100:
        second += 120
        taken += 1
    assert (one.full_after, one.fitting_lease) == (second, second)
    assert of(100, 40, 60, 5).full_after is None
    assert of(100, 101, 5, 5).full_after == 0 and of(100, 101, 5, 5).fitting_lease is None


def test_the_pool_is_what_is_left_of_an_area() -> None:
    """Less the network, the broadcast address, the gateway, lasting and written addresses."""
    devices = """\
  a: {area: hall, hardware: [02:00:00:aa:00:02, 02:00:00:aa:00:03], address: lasting}
  b: {area: hall, address: 10.1.0.5}
  c: {area: hall, hardware: 02:00:00:aa:00:04}
"""
    one = hall("prefix: 10.1.0.0/28", devices)
    assert one.pool == ((0x0A010002, 0x0A010004), (0x0A010006, 0x0A01000C))
    assert (one.lasting, one.room, one.hosts) == (3, 10, 1)


def test_who_roams_may_take_an_address_everywhere_and_who_is_barred_nowhere() -> None:
    roams = "  a: {area: home, hardware: 02:00:00:aa:00:02, roams: true}\n"
    barred = "  b: {area: hall, hardware: 02:00:00:aa:00:03, barred: true}\n"
    assert hall("prefix: 10.1.0.0/28", roams + barred).hosts == 1


def test_no_port_of_a_device_is_lent_an_address_that_is_refused_to_it() -> None:
    """Of three ports with two written addresses the filter takes none from any third (the model page,
    `bound`), so the last two share one."""
    ports = [f"02:00:00:bb:00:0{n}" for n in (1, 2, 3)]
    said = f"  tv: {{area: hall, hardware: [{', '.join(ports)}], address: [10.1.0.2, 10.1.0.3]}}"
    tv = next(one for one in planned("prefix: 10.1.0.0/29", said).devices if one.name == "tv")
    assert [str(own4(tv, number)) for number in tv.hardware] == ["10.1.0.2", "10.1.0.3", "10.1.0.3"]
    assert hall("prefix: 10.1.0.0/29", said).hosts == 0


def test_a_prefix_that_is_chosen_has_room_for_those_who_left() -> None:
    plain, busy = hall("hosts: 90"), hall("hosts: 90, turnover: 200 per day")
    assert (plain.room, busy.room) == (125, 253) and busy.held == 190 and busy.fits
    assert not notes("hosts: 90, turnover: 200 per day, lease: 1 day")


def test_a_pool_that_is_too_small_is_told_with_what_would_do() -> None:
    (found,) = notes("prefix: 10.1.0.0/25, hosts: 90, turnover: 200 per day")
    assert (found.id, found.severity) == ("pool-too-small", "warning")
    assert "190 addresses" in found.message and "125" in found.message
    assert "after 4 hours 12 minutes" in found.message  # 35 of 200 a day
    assert found.help == "give hall `lease: 252 min` or the prefix 10.1.0.0/24"
    mended = "prefix: 10.1.0.0/25, hosts: 90, turnover: 200 per day, lease: 252 min"
    assert not notes(mended) and notes(mended.replace("252", "260"))
    assert not notes("prefix: 10.1.0.0/24, hosts: 90, turnover: 200 per day")


@pytest.mark.parametrize(
    ("hall", "others", "elsewhere"),
    [
        ("10.1.0.0/25", "", False),
        ("10.1.0.0/25", "areas: 10.1.0.128/25", True),  # a neighbour in the other half
        ("10.1.0.128/25", "lines: 10.1.0.1/30", True),
        ("10.1.0.0/25", "places: 10.1.0.240/28", True),
        ("172.31.255.0/25", "", False),
        ("192.0.2.0/25", "", True),  # the other half is not the site's to take
    ],
)
def test_a_prefix_that_is_proposed_is_nobody_elses(hall: str, others: str, elsewhere: bool) -> None:
    def text(prefix: str) -> str:
        said = SITE.format(area=f"prefix: {prefix}, hosts: 90, turnover: 200 per day", devices="")
        key, _, held = others.partition(": ")
        said = said.replace("areas:\n", f"areas:\n  near: {{device: eth3, prefix: {held}}}\n"
                            if key == "areas" else "areas:\n")  # fmt: skip
        if key == "lines":
            said = said.replace("eth0}", f"eth0}}, other: {{device: eth9, address: {held}}}")
        return said + (f"places: {{far: {{prefixes: [{held}]}}}}\n" if key == "places" else "")

    def told(prefix: str) -> list[Diagnostic]:
        charter = read(text(prefix), "hut.yaml").charter
        assert charter is not None, text(prefix)
        return list(make_plan(charter).notes)

    (found,) = (one for one in told(hall) if one.id == "pool-too-small")
    proposed = (found.help or "").rpartition(" ")[2]
    assert ip_network(proposed).prefixlen == 24
    assert ip_network(proposed).overlaps(ip_network(hall)) is not elsewhere
    before = {one.id for one in told(hall)}
    assert {one.id for one in told(proposed)} <= before - {"pool-too-small"}


def test_lasting_addresses_that_eat_the_pool_are_told() -> None:
    kept = "".join(
        f"  d{n}: {{area: hall, hardware: 02:00:00:aa:01:0{n}, address: lasting}}\n"
        for n in range(5)
    )
    last = "  guest: {area: hall, hardware: 02:00:00:aa:00:09}\n"
    (found,) = notes("prefix: 10.1.0.0/29, hosts: 5", kept + last)
    assert found.id == "pool-too-small" and "has none beside 5 lasting" in found.message
    assert found.help == "give hall the prefix 10.1.0.0/28"


def test_what_is_seldom_meant_is_told() -> None:
    assert [one.id for one in notes("hosts: 5, lease: 5 min")] == ["odd-lease"]
    assert [one.id for one in notes("hosts: 5, lease: 90 days")] == ["odd-lease"]
    assert not notes("hosts: 5, lease: 10 min") and not notes("hosts: 5, lease: 30 days")
    for why in ("lease: none", "strangers: refused"):
        found = notes(f"hosts: 5, turnover: 3 per week, {why}")
        assert [one.id for one in found] == ["turnover-of-nobody"]


def test_where_somebody_else_lends_nothing_is_reckoned() -> None:
    one = hall("prefix: 10.1.0.0/28, hosts: 13, lease: none, turnover: 9 per hour")
    assert (one.lease, one.room, one.left, one.fits) == (None, 0, 0, True)


def test_a_lease_is_read_again_as_it_is_spelt() -> None:
    for minutes in (2, 59, 60, 90, 720, 1440, 2880, 10_081):
        assert lease(spelt(minutes * MINUTE)) == minutes * MINUTE
    assert told(2 * DAY + HOUR) == "2 days 1 hour" and told(61) == "1 minute 1 second"
