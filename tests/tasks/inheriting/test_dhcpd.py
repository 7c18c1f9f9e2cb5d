"""Settings and leases in the form of the ISC DHCP server.

Written by us after dhcpd.conf(5) and dhcpd.leases(5): free-form text, keywords in any case,
comments from `#` on but not within quotes, blocks within blocks; of several leases of one address
the last counts; times are UTC, `never`, or `epoch` seconds. dhcpd 4.4.3 takes the IPv4 part of the
settings below in its own check, and its lease files are read.
"""

from __future__ import annotations

from datetime import UTC, datetime
from ipaddress import ip_address, ip_network

import pytest

from netcharter.tasks.inheriting.dhcpd import MOST_DEPTH, read_dhcpd
from netcharter.tasks.inheriting.shapes import Held

LAPTOP = 0x020000AA0001
SETTINGS = """
# The whole site.
option domain-name "example.test";
default-lease-time 600;
authoritative;

SUBNET 10.20.10.0 NETMASK 255.255.255.0 {
  range 10.20.10.100 10.20.10.199;
  range dynamic-bootp 10.20.10.50;
  option routers 10.20.10.1, 10.20.10.2;
  pool { deny unknown-clients; range 10.20.10.210 10.20.10.219; }
}
shared-network wire {
  option routers 10.20.21.1;
  subnet 10.20.20.0 netmask 255.255.255.0 { option routers 10.20.20.1; }
  subnet 10.20.21.0 netmask 255.255.255.0 { }
  pool { range 10.20.20.20 10.20.20.29; }
}
subnet6 2001:db8:1::/64 { range6 2001:db8:1::100 2001:db8:1::1ff; range6 2001:db8:1::8000/113; }

group {
  use-host-decl-names on;
  group {
    host laptop { hardware ethernet 2:0:0:AA:0:1; fixed-address 10.20.10.10; } # "quoted
    host two-legs {
      hardware ethernet 02:00:00:aa:00:06;   # by cable; not {
      fixed-address 10.20.10.11, 10.20.20.11;
      option host-name "legs; of {two}";
    }
  }
}
host six { hardware ethernet 02:00:00:aa:00:07; fixed-address6 2001:db8:1::7; }
host refused { hardware ethernet 02:00:00:aa:00:08; deny booting; }
host named { hardware ethernet 02:00:00:aa:00:09; fixed-address printer.example.test; }
host ring { hardware token-ring 00:20:e0:3b:13:af; fixed-address 10.20.10.12; }
host nothing { }
class "phones" { match if substring (option vendor-class-identifier, 0, 3) = "tel"; }
if exists agent.circuit-id { log (info, "lease {"); }
include "/etc/dhcp/more.conf";
"""


def read(text: str) -> Held:
    return read_dhcpd(text, "dhcpd.conf")


def test_subnets_ranges_and_routers() -> None:
    found = read(SETTINGS)
    told = [
        (str(p.network), str(p.first), str(p.last), [str(r) for r in p.routers])
        for p in found.pools
    ]
    two = ["10.20.10.1", "10.20.10.2"]
    assert told == [
        ("10.20.10.0/24", "10.20.10.100", "10.20.10.199", two),
        ("10.20.10.0/24", "10.20.10.50", "10.20.10.50", two),
        ("10.20.10.0/24", "10.20.10.210", "10.20.10.219", two),
        ("10.20.20.0/24", "None", "None", ["10.20.20.1"]),
        ("10.20.21.0/24", "None", "None", ["10.20.21.1"]),
        ("10.20.20.0/24", "10.20.20.20", "10.20.20.29", ["10.20.20.1"]),
        ("2001:db8:1::/64", "2001:db8:1::100", "2001:db8:1::1ff", []),
        ("2001:db8:1::/64", "2001:db8:1::8000", "2001:db8:1::ffff", []),
    ]
    assert found.domains == ("example.test",)
    assert found.pools[0].network == ip_network("10.20.10.0/24")


def test_hosts_however_deep_they_stand() -> None:
    found = {one.name: one for one in read(SETTINGS).reservations}
    assert list(found) == ["laptop", "legs; of {two}", "six", "refused", "named", "ring"]
    assert found["laptop"].hardware == (LAPTOP,)
    assert found["laptop"].note == '"quoted'
    legs = found["legs; of {two}"]
    assert legs.addresses == tuple(map(ip_address, ("10.20.10.11", "10.20.20.11")))
    assert legs.note == "by cable; not {"
    assert found["six"].addresses == (ip_address("2001:db8:1::7"),)
    assert found["refused"].ignored and not found["six"].ignored
    assert found["ring"].hardware == ()


def test_what_has_no_words_in_a_charter_is_told_at_its_place() -> None:
    problems = read(SETTINGS).problems
    lines = SETTINGS.splitlines()
    told = [(p.id, lines[p.span.line - 1].strip()[:12]) for p in problems]
    assert told == [
        ("entry-left-out", "host named {"),
        ("entry-left-out", "host ring { "),
        ("entry-left-out", "host nothing"),
        ("file-not-followed", 'include "/et'),
    ]


def test_of_several_leases_the_last_one_counts() -> None:
    found = read(
        """
        # The format of this file is documented in the dhcpd.leases(5) manual page.
        server-duid "\\000\\001\\000\\001{;";
        lease 10.20.10.101 {
          starts 4 2026/01/01 00:00:00; ends 4 2026/01/01 12:00:00; cltt 4 2026/01/01 00:00:00;
          binding state active; next binding state free; rewind binding state free;
          hardware ethernet 02:00:00:aa:00:01;
          uid "\\001\\002;}\\"";
          client-hostname "laptop";
        }
        lease 10.20.10.102 { ends never; binding state active; hardware ethernet 02:00:00:aa:00:06; }
        lease 10.20.10.103 { ends epoch 1767225600; # Thu Jan 1 00:00:00 2026
          binding state free; }
        lease 10.20.10.101 { ends 5 2026/01/02 12:00:00; binding state active;
          hardware ethernet 02:00:00:aa:00:01; client-hostname "laptop-2"; }
        lease 10.20.10.104 { ends 5 2026/01/02 12:00:00; abandoned; }
        ia-na "\\001\\000\\000" { cltt 4 2026/01/01 00:00:00;
          iaaddr 2001:db8:1::15 { binding state active; preferred-life 300; max-life 500;
            ends 4 2026/01/01 12:00:00; } }
        host by-hand { dynamic; hardware ethernet 02:00:00:aa:00:09; fixed-address 10.20.10.9; }
        host gone { dynamic; hardware ethernet 02:00:00:aa:00:0a; fixed-address 10.20.10.8; }
        host gone { dynamic; deleted; }
        """
    )
    assert found.problems == ()
    first, forever, free, abandoned, six = found.leases
    assert (first.name, first.hardware, first.active) == ("laptop-2", LAPTOP, True)
    assert first.until == datetime(2026, 1, 2, 12, tzinfo=UTC)
    assert (forever.until, forever.active, forever.name) == (None, True, "")
    assert (free.active, free.until) == (False, datetime(2026, 1, 1, tzinfo=UTC))
    assert not abandoned.active
    assert str(six.address) == "2001:db8:1::15" and six.active and six.hardware is None
    assert [one.name for one in found.reservations] == ["by-hand"]


def test_a_lease_that_is_cut_off_does_not_undo_an_earlier_one() -> None:
    whole = "lease 10.20.10.101 { ends never; hardware ethernet 02:00:00:aa:00:01; }\n"
    found = read(whole + "lease 10.20.10.101 { ends never; binding sta")
    assert [lease.hardware for lease in found.leases] == [LAPTOP]
    assert [p.id for p in found.problems] == ["entry-not-read"]
    assert found.problems[0].span.line == 2


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("host a { hardware ethernet 02:00:00:aa:00; fixed-address 10.0.0.1; }", "hardware"),
        ("subnet 10.0.0.1 netmask 255.255.255.0 { }", "subnet"),
        ("subnet 10.0.0.0 { }", "subnet"),
        ("subnet 10.0.0.0 netmask 255.255.255.0 { range 10.0.0.9 10.0.0.1; }", "range"),
        ("lease 10.0.0.300 { }", "no address"),
        ("lease 10.0.0.3 { ends 4 2026/13/01 00:00:00; }", "moment"),
        ("}", "closes nothing"),
        ('option domain-name "open', "quote"),
        ("host a { hardware ethernet 02:00:00:aa:00:01;", "ends within"),
        ("authoritative", "ends within"),
    ],
)
def test_what_is_not_as_it_should_be_is_told(text: str, reason: str) -> None:
    problems = read(f"authoritative;\n{text}").problems
    assert {p.id for p in problems} <= {"entry-not-read", "entry-left-out"}
    assert any(reason in p.message and p.span.line == 2 for p in problems)


def test_blocks_within_blocks_have_an_end() -> None:
    host = "host a { hardware ethernet 02:00:00:aa:00:01; }"
    found = read("group {" * 200_000 + "}" * 200_000 + "\n" + host)
    assert found.problems[0].message.startswith("a line of more than")
    deep = "group {\n" * 5_000 + host + "\n}" * 5_000
    assert read(deep).reservations == ()
    assert any(f"{MOST_DEPTH} blocks" in p.message for p in read(deep).problems)
    assert len(read(deep + "\n" + host).reservations) == 1
