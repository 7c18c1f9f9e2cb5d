"""The subnet tables of RFC 1878, worked out by the address plan (and its misprint), RFC 3021."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv4Network, collapse_addresses

import pytest

from netcharter.plan import coding
from netcharter.plan.addressing import prefix_for, resolve
from netcharter.space.ranges import intersect, ranges
from tests.plan.building import area, charter

# RFC 1878 table 1-2 (class C) and table 1-1 (class B): prefix, subnets, hosts in each.
CLASS_C = [(25, 2, 126), (26, 4, 62), (27, 8, 30), (28, 16, 14), (29, 32, 6), (30, 64, 2)]
CLASS_B = [
    (17, 2, 32766),
    (18, 4, 16382),
    (19, 8, 8190),
    (20, 16, 4094),
    (21, 32, 2046),
    (22, 64, 1022),
    (23, 128, 510),
    # The /24 row is misprinted: see below.
    (25, 512, 126),
    (26, 1024, 62),
    (27, 2048, 30),
    (28, 4096, 14),
    (29, 8192, 6),
    (30, 16384, 2),
]
# RFC 1878 page 2: mask in hexadecimal and decimal, addresses it counts.
MASKS = [
    (1, "80.00.00.00", "128.0.0.0", 2048 << 20),
    (8, "FF.00.00.00", "255.0.0.0", 16 << 20),
    (16, "FF.FF.00.00", "255.255.0.0", 64 << 10),
    (20, "FF.FF.F0.00", "255.255.240.0", 4 << 10),
    (24, "FF.FF.FF.00", "255.255.255.0", 256),
    (27, "FF.FF.FF.E0", "255.255.255.224", 32),
    (30, "FF.FF.FF.FC", "255.255.255.252", 4),
    (31, "FF.FF.FF.FE", "255.255.255.254", 2),
    (32, "FF.FF.FF.FF", "255.255.255.255", 1),
]


def usable(network: IPv4Network) -> tuple[int, int]:
    """The first and the last usable address, the gateway's included, by the address plan."""
    plan = resolve(charter([area("n", prefixes=[str(network)])]))
    (found,) = plan.areas
    hosts = intersect(found.hosts, coding.ANY4)
    own = int(found.gateway4)
    (both,) = ranges((own, own), *hosts)
    return both


@pytest.mark.parametrize(
    ("whole", "length", "subnets", "hosts"),
    [("172.16.0.0/16", *row) for row in CLASS_B] + [("192.168.7.0/24", *row) for row in CLASS_C],
)
def test_each_row_of_the_subnet_tables(whole: str, length: int, subnets: int, hosts: int) -> None:
    split = list(IPv4Network(whole).subnets(new_prefix=length))
    assert len(split) == subnets
    for network in (split[0], split[len(split) // 2], split[-1]):
        first, last = usable(network)
        assert last - first + 1 == hosts
        assert (first, last) == (int(network[0]) + 1, int(network[-1]) - 1)


def test_the_sixth_27_of_a_class_c_network() -> None:
    """RFC 1878 table 1-2: N.N.N.160, hosts 161 to 190, broadcast 191."""
    first, last = usable(IPv4Network("192.168.7.160/27"))
    assert (first & 255, last & 255) == (161, 190)


def test_the_24_row_of_table_1_1_is_misprinted() -> None:
    """It prints 255 nets of 253 hosts, and N.N.254.255 as the last subnet's broadcast."""
    printed = (255, 253)
    split = list(IPv4Network("172.16.0.0/16").subnets(new_prefix=24))
    first, last = usable(split[-1])
    assert (len(split), last - first + 1) == (256, 254)
    assert printed != (256, 254)
    assert str(split[-1][-1]) == "172.16.255.255"


@pytest.mark.parametrize(("length", "hexadecimal", "decimal", "count"), MASKS)
def test_the_mask_table(length: int, hexadecimal: str, decimal: str, count: int) -> None:
    """RFC 1878 page 2."""
    mask = IPv4Network((0, length)).netmask
    assert str(mask) == decimal
    assert mask.packed.hex(".").upper() == hexadecimal
    (whole,) = coding.network(IPv4Network((0, length)))
    assert whole[1] - whole[0] + 1 == count


@pytest.mark.parametrize(
    ("length", "hosts"), [(n, h) for n, _, h in CLASS_C + CLASS_B] + [(24, 254)]
)
def test_the_prefix_for_a_full_row_is_that_row_and_one_host_more_the_next(
    length: int, hosts: int
) -> None:
    assert prefix_for(hosts - 1, 0.0) == length  # the gateway is the other one
    assert prefix_for(hosts, 0.0) == length - 1


def test_500_links_of_two_hosts_save_1000_addresses_with_31s() -> None:
    """RFC 3021 section 1."""
    thirty = [IPv4Network((int(IPv4Address("10.0.0.0")) + 4 * n, 30)) for n in range(500)]
    thirty_one = [IPv4Network((int(IPv4Address("10.0.0.0")) + 2 * n, 31)) for n in range(500)]
    assert sum(usable(n)[1] - usable(n)[0] + 1 for n in thirty) == 1000
    assert sum(usable(n)[1] - usable(n)[0] + 1 for n in thirty_one) == 1000
    spent = [sum(n.num_addresses for n in some) for some in (thirty, thirty_one)]
    assert spent[0] - spent[1] == 1000


def test_twins_collapse_to_the_prefix_twice_their_size() -> None:
    """RFC 4632 section 5: aggregation, against the standard library."""
    plan = resolve(charter([area("a", 20), area("b", 20)]))
    both = list(collapse_addresses(a.v4.supernet() for a in plan.areas))
    assert [n.prefixlen for n in both] == [25]
