"""The services that every charter knows, against the machine's own list and published numbers."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcharter.charter.services import REGISTERED, builtin, parse_written

SYSTEM = Path("/etc/services")
NUMBERS = {"tcp": 6, "udp": 17}
# Debian's netbase has `dicom` as another name of acr-nema, port 104; the registry, from memory,
# gives the name itself port 11112 (DICOM PS3.8 section 9.1 names both).
OTHERWISE = {"dicom"}


def system_services() -> dict[str, set[tuple[int, int]]]:
    """Name or alias to (protocol, port), as /etc/services (Debian's netbase) has them."""
    found: dict[str, set[tuple[int, int]]] = {}
    for line in SYSTEM.read_text("utf-8").splitlines():
        words = line.partition("#")[0].split()
        if len(words) < 2 or words[1].partition("/")[2] not in NUMBERS:
            continue
        port, _, protocol = words[1].partition("/")
        for name in (words[0], *words[2:]):
            found.setdefault(name, set()).add((NUMBERS[protocol], int(port)))
    return found


@pytest.mark.skipif(not SYSTEM.exists(), reason="this machine has no /etc/services")
def test_names_have_the_ports_the_machine_knows_them_by() -> None:
    system = system_services()
    shared = [name for name in builtin() if name in system and name not in OTHERWISE]
    assert len(shared) > 40
    for name in shared:
        ports = {first for _, first, _ in builtin()[name]}
        assert ports == {port for _, port in system[name]}, name


@pytest.mark.parametrize(
    ("name", "parts"),
    [  # the documents that register them
        ("ssh", [(6, 22, 22)]),  # RFC 4253 section 4.1
        ("domain", [(6, 53, 53), (17, 53, 53)]),  # RFC 1035 section 4.2
        ("http", [(6, 80, 80)]),  # RFC 9110 section 4.2.1
        ("https", [(6, 443, 443)]),  # RFC 9110 section 4.2.2
        ("http3", [(17, 443, 443)]),  # RFC 9114 section 3.1.2
        ("ntp", [(17, 123, 123)]),  # RFC 5905 section 16
        ("submission", [(6, 587, 587)]),  # RFC 6409 section 3.1
        ("submissions", [(6, 465, 465)]),  # RFC 8314 section 7.3
        ("imaps", [(6, 993, 993)]),  # RFC 8314 section 3.2
        ("pop3s", [(6, 995, 995)]),  # RFC 8314 section 3.1
        ("domain-s", [(6, 853, 853), (17, 853, 853)]),  # RFC 7858 section 6, RFC 8094 section 8
        ("sip", [(6, 5060, 5060), (17, 5060, 5060)]),  # RFC 3261 section 19.1.2
        ("sips", [(6, 5061, 5061)]),  # RFC 3261 section 19.1.2
        ("rtsp", [(6, 554, 554)]),  # RFC 7826 section 4.2
        ("ipp", [(6, 631, 631)]),  # RFC 8010 section 4
        ("radius", [(17, 1812, 1812)]),  # RFC 2865 section 3
        ("syslog", [(17, 514, 514)]),  # RFC 5426 section 3.3
        ("mdns", [(17, 5353, 5353)]),  # RFC 6762 section 22
        ("stun", [(6, 3478, 3478), (17, 3478, 3478)]),  # RFC 8489 section 18.6
        ("pcp", [(17, 5351, 5351)]),  # RFC 6887 section 19.1
        ("ipsec-nat-t", [(17, 4500, 4500)]),  # RFC 3947 section 8
        ("rfb", [(6, 5900, 5900)]),  # RFC 6143 section 10
        ("dhcpv6-server", [(17, 547, 547)]),  # RFC 8415 section 7.2
        ("ping", [(1, 0x800, 0x8FF), (58, 0x8000, 0x80FF)]),  # RFC 792; RFC 4443 section 4.1
        ("gre", [(47, 0, 0)]),  # RFC 2784
        ("esp", [(50, 0, 0)]),  # RFC 4303 section 2
    ],
)
def test_numbers_are_those_of_the_standards(name: str, parts: list[tuple[int, int, int]]) -> None:
    assert list(builtin()[name]) == parts


def test_no_name_stands_twice_and_every_line_is_understood() -> None:
    names = [line.split()[0] for line in REGISTERED.split("\n") if line]
    assert len(set(names)) == len(names) and set(names) <= builtin().keys()
    assert len(builtin()) >= 120
    for line in REGISTERED.split("\n"):
        assert all(parse_written(written) for written in line.split()[1:])


@pytest.mark.parametrize("text", ["tcp/", "tcp/1-", "tcp/-1", "tcp/65536", "tcp/2-1", "TCP/1", "tcp/01",
                                  "icmp/256", "icmp/1/256", "icmp/1-2", "protocol/256", "tcp/1,2", "ip/4",
                                  "tcp/١", "tcp/1\n", " tcp/1", "tcp"])  # fmt: skip
def test_what_is_not_written_out_rightly_is_none(text: str) -> None:
    assert parse_written(text) is None


@pytest.mark.parametrize(("text", "part"), [("tcp/0", (6, 0, 0)), ("udp/0-65535", (17, 0, 65535)),
                                            ("icmp/255/255", (1, 65535, 65535)),
                                            ("protocol/0", (0, 0, 0)), ("protocol/1", (1, 0, 65535))])  # fmt: skip
def test_the_ends_of_the_ranges_are_in(text: str, part: tuple[int, int, int]) -> None:
    assert parse_written(text) == part
