"""Every service that a kit can have, under a real service manager: each begins, goes on, does its work
for hosts of the areas, and is gone when what stands is undone.

Sources: systemd.service(5), systemd.exec(5) (what a unit forbids its program, which only a service
manager brings about); RFC 1035 for answers, RFC 4330 section 4 for the time (mode 4: a server).
"""

from __future__ import annotations

import pytest

from tests.emulated.machine import SYSTEMD, Came, run

pytestmark = pytest.mark.kernel

CHARTER = """\
charter: 1
site:
  name: Hut
  timezone: Europe/London
  managed-from: desk
  time-servers: [10.7.1.3]
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  office: {device: eth2, prefix: 10.7.0.0/27}
  workshop: {device: eth3, prefix: 10.7.1.0/28}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.7.0.5}
  maker: {area: workshop, hardware: '02:00:00:aa:00:02', address: 10.7.1.3}
lists:
  listed: {entries: [listed.example]}
names:
  - {withhold: [withheld.example, listed], for: workshop, because: work}
places:
  weather: {domains: [weather.example]}
rules:
  - {let: workshop, reach: weather, with: https, because: work out of doors}
  - {let: office, reach: internet, with: [http, https], because: daily work}
  - {let: office, reach: workshop, with: [tcp/631, tcp/443, tcp/515, tcp/9100], because: paper}
discovery:
  - {let: office, find: printing, in: workshop, because: route cards on paper}
"""
UNITS = {
    "netcharter-advertising.service",
    "netcharter-clock.service",
    "netcharter-discovery.service",
    "netcharter-gate.service",
    "netcharter-leading.service",
    "netcharter-names.service",
    "netcharter-withholding.service",
}


@pytest.fixture(scope="module")
def came() -> Came:
    return run(". /job/services.sh", {"charter.yaml": CHARTER}, limit=1800, first=SYSTEMD).sure()


def parts(came: Came, name: str) -> dict[str, str]:
    """By unit, what was written of it."""
    found = (one.partition("\n") for one in came.text(name).split("== ")[1:])
    return {unit: said for unit, _, said in found}


def told(came: Came, who: str) -> dict[str, str]:
    """By question, what a host was told."""
    lines = came.text(f"{who}.told").splitlines()
    return dict(line.split(": ", 1) for line in lines)


def test_enact_puts_all_of_them_in_place(came: Came) -> None:
    assert "enact:" not in came.text("enacted"), came.text("enacted")[-3000:]
    assert set(parts(came, "units.first")) == UNITS


@pytest.mark.parametrize("unit", sorted(UNITS))
def test_it_begins_and_goes_on(came: Came, unit: str) -> None:
    for when in ("first", "later"):
        found = parts(came, f"units.{when}")[unit].split()
        wanted = {"ActiveState=active", "SubState=running", "NRestarts=0", "Result=success"}
        assert set(found) == wanted, (when, found, came.text("journal")[-3000:])


def test_the_service_manager_finds_no_fault_in_them(came: Came) -> None:
    assert parts(came, "verified") == dict.fromkeys(UNITS, ""), came.text("verified")


def test_hosts_are_told_names_and_the_time(came: Came) -> None:
    for who, gateway in (("desk", "10.7.0.1"), ("maker", "10.7.1.1")):
        found = told(came, who)
        assert found["gateway.home.arpa A"] == f"code 0 {gateway}"
        assert found["maker.home.arpa A"] == "code 0 10.7.1.3"
        assert found["clock"] == "mode 4"


def test_names_are_withheld_from_whom_the_charter_says(came: Came) -> None:
    for name in ("www.withheld.example", "a.listed.example"):
        assert told(came, "maker")[f"{name} A"] == "code 0 10.7.1.1"
        # Nobody outside answers here, and so nothing is known of it.
        assert not told(came, "desk")[f"{name} A"].startswith("code 0")


def test_the_page_says_why_to_whom_they_are_withheld_from_alone(came: Came) -> None:
    """A status of RFC 9110 section 15.5.4; who is let nowhere there is reset at once."""
    assert told(came, "maker")["page"] == "403 named"
    assert told(came, "maker")["asked for release"].startswith("200")
    assert "refused" in told(came, "desk")["page"]
    assert "www.withheld.example  asked from workshop" in came.text("requests")


def test_what_packages_begin_stands_aside_meanwhile(came: Came) -> None:
    meanwhile = dict(line.split() for line in came.text("theirs.meanwhile").splitlines())
    assert {meanwhile[unit] for unit in ("unbound", "chrony", "dnsdist")} == {"masked-runtime"}
    assert came.text("theirs.after") == came.text("theirs.before")


def test_undoing_leaves_no_service(came: Came) -> None:
    assert "undo:" not in came.text("undone"), came.text("undone")[-3000:]
    assert came.text("left") == ""
