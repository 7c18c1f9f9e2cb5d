"""What a charter says arrives in the model, with its defaults and its places."""

from __future__ import annotations

from datetime import date, time
from ipaddress import IPv4Address, IPv4Interface, IPv4Network, IPv6Network
from pathlib import Path

import pytest

from netcharter.charter.model import Charter, Window
from netcharter.charter.read import read
from netcharter.charter.values import Wrong, timezone
from tests.charter.kit import charter, reading


def right(text: str, files: dict[str, str | bytes] | None = None) -> Charter:
    found = reading(text, files)
    assert found.charter is not None, found.diagnostics
    return found.charter


@pytest.fixture(scope="module")
def tarn_hollow() -> Charter:
    path = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "charter.yaml"
    found = read(path.read_bytes(), "charter.yaml")
    assert found.diagnostics == () and found.charter is not None
    return found.charter


def test_the_demo_site_reads_without_a_word(tarn_hollow: Charter) -> None:
    assert tarn_hollow.site.managed_from == ("duty-laptop",)
    assert tarn_hollow.site.local_prefix == IPv6Network("fd5c:7a11:b0e::/48")
    copper, mast = tarn_hollow.lines.values()
    assert copper.rate is not None and (copper.rate.down, copper.rate.up) == (40_000_000, 8_000_000)
    assert copper.addresses[0] == IPv4Interface("203.0.113.10/29")
    assert copper.next_hops[0] == IPv4Address("203.0.113.9")
    assert (copper.automatic, copper.role, mast.automatic, mast.role) == (
        False,
        "main",
        True,
        "standby",
    )
    assert copper.prefix == IPv6Network("2001:db8:7a00::/48")
    assert list(tarn_hollow.areas) == [
        "office", "instructors", "bunkrooms", "tills", "phones", "cameras", "barn",
    ]  # fmt: skip
    bunkrooms = tarn_hollow.areas["bunkrooms"]
    assert (bunkrooms.sign_in, bunkrooms.apart, bunkrooms.hosts, bunkrooms.vlan) == (
        True,
        True,
        90,
        30,
    )
    assert tarn_hollow.areas["office"].growth == 0.5
    assert tarn_hollow.devices["duty-laptop"].hardware == (0x020000AA0001,)
    assert tarn_hollow.devices["spare-laptop"].barred
    assert tarn_hollow.people["fern"].groups == ("instructors-team", "visit-leaders")
    assert tarn_hollow.rules[0].emergency and tarn_hollow.rules[0].name == "rule 1"
    assert not tarn_hollow.rules[2].let and tarn_hollow.rules[2].during == "lights-out"
    assert [one.until for one in tarn_hollow.rules if one.until] == [date(2027, 3, 31)]
    assert {p.kind for p in tarn_hollow.promises} == {"never", "always", "only"}
    assert tarn_hollow.offers[0].who == ("anyone",)


def test_the_first_draft_differs_by_one_word_of_one_rule(tarn_hollow: Charter) -> None:
    path = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "first-draft.yaml"
    draft = read(path.read_bytes(), "first-draft.yaml").charter
    assert draft is not None
    pairs = [(a, b) for a, b in zip(draft.rules, tarn_hollow.rules, strict=True) if a != b]
    assert [(a.reach, b.reach) for a, b in pairs] == [(("anywhere",), ("internet",))]
    assert draft.offers == tarn_hollow.offers and draft.promises == tarn_hollow.promises


def test_services_that_are_used_are_resolved_and_others_left_out(tarn_hollow: Charter) -> None:
    services = tarn_hollow.services
    assert services["https"].parts == ((6, 443, 443),)
    assert services["sip"].parts == ((6, 5060, 5060), (17, 5060, 5060))
    assert services["calls-home"].parts == ((17, 443, 443), (17, 3478, 3481))
    assert "telnet" not in services and "anything" not in services


def test_written_out_services_of_a_rule_become_services() -> None:
    said = (
        "[tcp/8443, udp/5000-5010, icmp/8, icmp/3/4, icmpv6/128, protocol/47, protocol/6, sctp/9]"
    )
    found = right(charter(rules=f"rules:\n  - {{let: office, reach: internet, with: {said}}}"))
    assert {name: service.parts for name, service in found.services.items()} == {
        "tcp/8443": ((6, 8443, 8443),),
        "udp/5000-5010": ((17, 5000, 5010),),
        "icmp/8": ((1, 0x800, 0x8FF),),
        "icmp/3/4": ((1, 0x304, 0x304),),
        "icmpv6/128": ((58, 0x8000, 0x80FF),),
        "protocol/47": ((47, 0, 0),),
        "protocol/6": ((6, 0, 65535),),
        "sctp/9": ((132, 9, 9),),
    }


def test_services_are_made_of_services() -> None:
    found = right(charter(services="services:\n  all: [talk, ping]\n  talk: [sips, tcp/7]"))
    assert found.services["all"].parts == (
        (1, 0x800, 0x8FF),
        (6, 7, 7),
        (6, 5061, 5061),
        (58, 0x8000, 0x80FF),
    )


def test_defaults_are_those_of_the_reference() -> None:
    found = right(charter(
        devices="devices: {x: {area: office, hardware: 02:00:00:00:00:01, address: lasting}}",
        offers="offers: [{offer: ssh, on: copper, to: x}]",
        promises="promises: [{never: internet, reach: gateway}]",
        lines="lines: {copper: {device: eth0}, mast: {device: eth9}}",
    ))  # fmt: skip
    line, second = found.lines.values()
    assert (line.vlan, line.rate, line.addresses, line.automatic) == (None, None, (), True)
    assert (line.next_hops, line.role, line.weight, line.prefix) == ((), "main", 1, None)
    assert second.role == "standby"
    area = found.areas["office"]
    assert (area.growth, area.prefixes, area.sign_in, area.strangers_refused) == (
        0.0,
        (),
        False,
        False,
    )
    assert (area.apart, area.quiet, area.because, area.contact) == (False, False, None, None)
    device = found.devices["x"]
    assert (device.lasting, device.addresses, device.barred) == (True, (), False)
    assert (device.roams, device.exempt) == (False, False)
    assert (found.offers[0].at, found.offers[0].name) == (None, "offer 1")
    assert found.promises[0].services == ("anything",)
    assert not found.promises[0].except_offers
    assert (found.groups, found.site.local_prefix, found.site.managed_from) == ((), None, ())


def test_values_of_all_kinds_arrive() -> None:
    found = right(charter(
        lines="lines: {copper: {device: eth0, rate: {down: 1.5 Gbit/s, up: 640 kbit/s}, role: balanced, weight: 3,"
              ' address: [203.0.113.10/29, "2001:db8::2/64"], next-hop: [203.0.113.9, "fe80::1"]}}',
        areas='areas: {office: {device: eth1, prefix: [10.2.0.0/24, "fd00::/64"], growth: 12.5 %,'
              " strangers: refused, manner: quietly}}",
        devices="devices: {x: {area: office, hardware: [02-00-00-AA-00-01, 0200.00aa.0002],"
                ' address: [10.2.0.9, "fd00::9"], roams: true, sign-in: exempt}}',
        groups="groups: {staff: {because: they work here}, guests: }",
        people="people: {ash: , fern: {groups: [staff, guests], contact: the office}}",
        rules="rules: [{refuse: [ash, staff], reach: x, with: anything, manner: quietly, name: keep out}]",
        offers="offers: [{offer: https, on: [copper], to: x, from: internet, at: 8443, until: 2030-01-01}]",
    ))  # fmt: skip
    line = found.lines["copper"]
    assert line.rate is not None and (line.rate.down, line.rate.up) == (1_500_000_000, 640_000)
    assert (line.role, line.weight, str(line.next_hops[1])) == ("balanced", 3, "fe80::1")
    area = found.areas["office"]
    assert area.prefixes == (IPv4Network("10.2.0.0/24"), IPv6Network("fd00::/64"))
    assert (area.growth, area.strangers_refused, area.quiet, area.hosts) == (
        0.125,
        True,
        True,
        None,
    )
    device = found.devices["x"]
    assert device.hardware == (0x020000AA0001, 0x020000AA0002)
    assert (len(device.addresses), device.lasting, device.roams, device.exempt) == (
        2,
        False,
        True,
        True,
    )
    assert found.groups == ("staff", "guests")
    assert found.people["ash"].groups == () and found.people["fern"].contact == "the office"
    rule = found.rules[0]
    assert (rule.name, rule.let, rule.quiet, rule.who) == (
        "keep out",
        False,
        True,
        ("ash", "staff"),
    )
    assert (found.offers[0].at, found.offers[0].who) == (8443, ("internet",))


def test_hours_arrive_with_their_days_and_dates() -> None:
    found = right(
        charter(
            hours="""hours:
  school:
    weekly: {mon-wed: "08:00-16:30", sat: ["13:00-15:00", "09:00-12:00"], sun: closed}
    dates:
      2026-12-24: "22:00 - 02:00"
      2026-12-31 to 2027-01-02: closed
      2027-03-01: [00:00-24:00]
  late: {weekly: {fri-mon: 23:00-01:00}}"""
        )
    )
    school = found.hours["school"]
    day = (Window(time(8), time(16, 30)),)
    saturday = (Window(time(9), time(12)), Window(time(13), time(15)))
    assert school.weekly == (day, day, day, (), (), saturday, ())
    assert school.dates == {
        date(2026, 12, 24): (Window(time(22), time(2)),),
        date(2026, 12, 31): (),
        date(2027, 1, 1): (),
        date(2027, 1, 2): (),
        date(2027, 3, 1): (Window(time(0), None),),
    }
    assert [bool(windows) for windows in found.hours["late"].weekly] == [
        True,
        0,
        0,
        0,
        True,
        True,
        True,
    ]


def test_words_of_yaml_1_1_stay_text() -> None:
    found = right(charter(areas="areas: {on: {device: off, hosts: 5, because: no}}"))
    assert found.areas["on"].device == "off" and found.areas["on"].because == "no"


def test_every_value_knows_its_place() -> None:
    found = right(
        charter(rules="rules:\n  - let: [office, internet]\n    reach: gateway\n    with: ssh")
    )
    places = {
        ("areas", "office"): (4, 9, 15),
        ("areas", "office", "hosts"): (4, 39, 40),
        ("rules", 0, "let", 1): (6, 19, 27),
        ("rules", 0, "let"): (6, 10, 28),
        ("rules", 0, "with"): (8, 11, 14),
        ("rules", 0, "with", 0): (8, 11, 14),
    }
    for path, (line, start, end) in places.items():
        span = found.where(*path)
        assert (span.line, span.column, span.end_column) == (line, start, end), path
    rule = found.where("rules", 0)
    assert (rule.line, rule.column, rule.end_line, rule.end_column) == (6, 5, 8, 14)
    assert found.where("rules", 0, "because") == rule
    assert found.where("nothing", "there").line == 1


def test_included_files_are_put_together_and_keep_their_names() -> None:
    files: dict[str, str | bytes] = {
        "parts/areas.yaml": "charter: 1\nareas:\n  barn: {device: eth2, hosts: 2}\ninclude: [rules.yaml]\n",
        "parts/rules.yaml": "rules:\n  - {let: barn, reach: office, with: ssh}\n",
    }
    found = reading("include: parts/areas.yaml\n" + charter(), files)
    assert found.charter is not None
    assert list(found.charter.areas) == ["office", "barn"]
    assert found.charter.where("areas", "barn").file == "parts/areas.yaml"
    assert found.charter.where("rules", 0, "let").file == "parts/rules.yaml"
    assert list(found.texts) == ["charter.yaml", "parts/areas.yaml", "parts/rules.yaml"]


def test_names_of_included_files_stand_beside_the_charters_own() -> None:
    found = read("include: a.yaml\n" + charter(), "sites/tarn/charter.yaml", lambda name: "«")
    assert [d.span.file for d in found.diagnostics] == ["sites/tarn/a.yaml"]


def test_a_section_may_come_from_an_included_file_alone() -> None:
    files: dict[str, str | bytes] = {"l.yaml": "lines: {copper: {device: eth0}}\n"}
    assert list(right("include: l.yaml\n" + charter(lines=""), files).lines) == ["copper"]


def test_the_parent_of_a_vlan_may_be_an_area_itself() -> None:
    found = right(
        charter(
            areas="""areas:
  a: {device: e1, hosts: 5}
  b: {device: e1, vlan: 5, hosts: 5}
  c: {device: e1.6, hosts: 5}
  d: {device: e1.6, vlan: 5, hosts: 5}
  e: {device: enp0s31f6ab, vlan: 400, hosts: 5}"""
        )
    )
    assert len(found.areas) == 5


@pytest.mark.parametrize(
    "key", ["UTC", "Etc/GMT+1", "Europe/London", "America/Argentina/Salta", "CET"]
)
def test_keys_of_the_time_zone_database_are_taken(key: str) -> None:
    """From the database's own files `tzdata.zi`, `etcetera` and `backward`."""
    assert right(charter(site=f"site: {{name: a, timezone: {key}}}")).site.timezone == key


def test_no_time_zone_is_proposed_that_would_not_be_taken() -> None:
    for misspelt in ("localtim", "Factori", "posixrule", "posix/Europe/Londn", "right/x", "posix"):
        with pytest.raises(Wrong) as wrong:
            timezone(misspelt)
        proposed = (wrong.value.help or "").removeprefix("write ")
        assert proposed.startswith("area and city") or timezone(proposed)


def test_reading_twice_gives_the_same(tarn_hollow: Charter) -> None:
    text = (Path(__file__).parents[2] / "examples" / "tarn-hollow" / "charter.yaml").read_text(
        "utf-8"
    )
    assert read(text, "charter.yaml").charter == tarn_hollow
