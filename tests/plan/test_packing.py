"""Packing: no overlap, room for everyone, growth beside each, the largest free block, stability."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from ipaddress import IPv4Address, IPv4Network
from itertools import combinations

from hypothesis import example, given
from hypothesis import strategies as st
from netaddr import IPNetwork, cidr_merge

from netcharter.charter.model import Area, Charter
from netcharter.plan import coding
from netcharter.plan.addressing import prefix_for, resolve
from netcharter.plan.packing import POOL4, best_fit, free_blocks
from netcharter.space.ranges import Ranges, ranges, subtract
from tests.plan.building import area, charter, line

HOSTS = st.integers(1, 700)
GROWTH = st.sampled_from([0.0, 0.1, 0.25, 0.5, 1.0, 3.0])
GIVEN = st.builds(
    lambda start, bits: IPv4Network((start >> bits << bits, 32 - bits)),
    st.one_of(
        st.integers(int(IPv4Address("10.0.0.0")), int(IPv4Address("10.255.255.255"))),
        st.integers(int(IPv4Address("10.73.0.0")), int(IPv4Address("10.73.4.0"))),
        st.integers(int(IPv4Address("192.168.0.0")), int(IPv4Address("192.168.255.255"))),
    ),
    st.integers(3, 9),
)


@st.composite
def area_lists(draw: st.DrawFn, least: int = 1, most: int = 9) -> list[Area]:
    out: list[Area] = []
    taken: list[IPv4Network] = []
    for number in range(draw(st.integers(least, most))):
        own = draw(st.none() | GIVEN)
        if own is not None and not any(own.overlaps(other) for other in taken):
            taken.append(own)
            out.append(area(f"a{number}", prefixes=[str(own)]))
        else:
            out.append(area(f"a{number}", draw(HOSTS), draw(GROWTH)))
    return out


def networks(
    site: Charter, previous: dict[str, IPv4Network] | None = None
) -> dict[str, IPv4Network]:
    return {a.name: a.v4 for a in resolve(site, previous or {}).areas}


@given(area_lists(), st.sampled_from(["10.73.0.0/24", "192.168.1.7/24", "203.0.113.1/29"]))
def test_areas_share_no_address_with_each_other_or_with_a_line(
    areas: list[Area], on_line: str
) -> None:
    site = charter(areas, [line("copper", [on_line])])
    plan = resolve(site)
    got = networks(site)
    chosen = [n for a in areas if not a.prefixes for n in [got[a.name]]]
    for a, b in combinations(got.values(), 2):
        assert not a.overlaps(b)
    assert plan.lines[0].v4 is not None
    assert not any(n.overlaps(plan.lines[0].v4.network) for n in chosen)
    assert all(any(n.subnet_of(pool) for pool in POOL4) for n in chosen)


@example([area("a0", 230, 0.1)])
@given(area_lists())
def test_each_chosen_prefix_holds_the_hosts_with_their_growth_and_the_gateway(
    areas: list[Area],
) -> None:
    got = networks(charter(areas))
    for one in areas:
        if one.hosts is not None:
            usable = got[one.name].num_addresses - 2
            needed = one.hosts * (1 + Fraction(str(one.growth))) + 1
            assert usable >= needed
            half = got[one.name].num_addresses // 2
            assert half - 2 < needed or half == 2


@given(area_lists())
def test_given_prefixes_are_kept(areas: list[Area]) -> None:
    got = networks(charter(areas))
    assert all(got[a.name] == a.prefixes[0] for a in areas if a.prefixes)


@given(st.lists(st.tuples(HOSTS, GROWTH), min_size=1, max_size=12))
def test_the_twin_of_every_chosen_area_stays_free(sizes: list[tuple[int, float]]) -> None:
    areas = [area(f"a{n}", hosts, growth) for n, (hosts, growth) in enumerate(sizes)]
    got = networks(charter(areas))
    for name, network in got.items():
        doubled = network.supernet()
        assert doubled[0] == network[0]
        assert not any(doubled.overlaps(n) for other, n in got.items() if other != name)


@given(area_lists(), st.tuples(HOSTS, GROWTH) | GIVEN)
@example(  # what is given to one area decided once in which gap another was placed
    [area("a0", 5), area("a1", 20), area("a2", prefixes=["10.73.0.64/29"])],
    IPv4Network("10.73.1.192/26"),
)
def test_an_area_added_at_the_end_renumbers_nobody(
    areas: list[Area], more: tuple[int, float] | IPv4Network
) -> None:
    before = resolve(charter(areas))
    if isinstance(more, IPv4Network):
        if any(more.overlaps(a.v4) for a in before.areas):
            return
        extra = area("extra", prefixes=[str(more)])
    else:
        extra = area("extra", *more)
    after = resolve(charter([*areas, extra]))
    for old, new in zip(before.areas, after.areas[:-1], strict=True):
        assert (old.v4, old.number, old.subnets6, old.gateway4) == (
            new.v4, new.number, new.subnets6, new.gateway4,
        )  # fmt: skip


@given(area_lists(least=2), st.randoms(use_true_random=False), st.tuples(HOSTS, GROWTH))
def test_with_the_previous_prefixes_neither_order_nor_new_areas_renumber_anybody(
    areas: list[Area], random: object, more: tuple[int, float]
) -> None:
    before = resolve(charter(areas))
    previous = {a.name: a.v4 for a in before.areas}
    changed = [*areas, area("extra", *more)]
    random.shuffle(changed)  # type: ignore[attr-defined]
    after = {a.name: a for a in resolve(charter(changed), previous).areas}
    for old in before.areas:
        assert (old.v4, old.number, old.subnets6) == (
            after[old.name].v4, after[old.name].number, after[old.name].subnets6,
        )  # fmt: skip
    assert not any(after["extra"].v4.overlaps(old.v4) for old in before.areas)


@given(area_lists())
def test_the_previous_prefixes_of_the_same_charter_change_nothing(areas: list[Area]) -> None:
    plan = resolve(charter(areas))
    assert resolve(charter(areas), {a.name: a.v4 for a in plan.areas}) == plan


def test_an_area_that_doubles_does_so_where_it_stands() -> None:
    small = [area("office", 20), area("barn", 20), area("tills", 20)]
    before = resolve(charter(small))
    previous = {a.name: a.v4 for a in before.areas}
    large = [area("office", 20), area("barn", 50), area("tills", 20)]
    after = {a.name: a.v4 for a in resolve(charter(large), previous).areas}
    assert after["barn"] == previous["barn"].supernet()
    assert after["barn"][0] == previous["barn"][0]
    assert (after["office"], after["tills"]) == (previous["office"], previous["tills"])


def test_an_area_that_cannot_grow_in_place_keeps_its_prefix_and_is_reported() -> None:
    previous = {"office": IPv4Network("10.1.0.0/28"), "barn": IPv4Network("10.1.0.16/28")}
    plan = resolve(charter([area("office", 40), area("barn", 5)]), previous)
    assert [a.v4 for a in plan.areas] == list(previous.values())
    (found,) = plan.diagnostics
    assert (found.id, found.severity) == ("area-too-small", "error")
    assert "10.1.0.0/28" in found.message and "/26" in (found.help or "")


def test_an_area_never_shrinks() -> None:
    previous = {"office": IPv4Network("10.1.0.0/22")}
    assert networks(charter([area("office", 3)]), previous) == previous


def test_a_number_is_not_given_twice_while_the_gone_area_is_still_known() -> None:
    previous = {"gone": IPv4Network("10.1.0.0/24"), "office": IPv4Network("10.1.2.0/24")}
    plan = resolve(charter([area("new", 5), area("office", 5)]), previous)
    assert {a.name: a.number for a in plan.areas} == {"office": 2, "new": 3}


def test_the_base_block_avoids_the_networks_that_a_place_or_line_names() -> None:
    free = networks(charter([area("office", 12)]))["office"]
    beside = charter(
        [area("office", 12)], places={"head-office": [str(free.supernet(new_prefix=16))]}
    )
    moved = networks(beside)["office"]
    assert not moved.overlaps(free.supernet(new_prefix=16))
    everywhere = charter([area("office", 12)], places={"all": [str(n) for n in POOL4]})
    assert networks(everywhere)["office"] == free  # nothing left to avoid it with


def test_a_place_that_covers_all_of_10_sends_the_site_to_the_other_private_blocks() -> None:
    site = charter([area("office", 12)], places={"head-office": ["10.0.0.0/8"]})
    assert networks(site)["office"].subnet_of(POOL4[1])


def test_sites_of_different_names_start_in_different_blocks() -> None:
    """RFC 1918 section 5 asks for a random pick from the private space (from memory)."""
    names = [f"Site {n}" for n in range(60)]
    bases = {
        str(networks(charter([area("a", 5)], site=n))["a"].supernet(new_prefix=16)) for n in names
    }
    assert len(bases) > 40
    assert "10.0.0.0/16" not in bases


def test_ten_thousand_hosts_and_more_get_a_base_of_their_own_size() -> None:
    got = networks(charter([area("a", 10), area("b", 200_000), area("c", 40_000)]))
    assert (got["b"].prefixlen, got["c"].prefixlen) == (14, 16)
    assert all(not x.overlaps(y) for x, y in combinations(got.values(), 2))


def test_a_pool_without_room_is_reported_and_the_plan_still_stands() -> None:
    plan = resolve(charter([area("b", 16_000_000), area("a", 5), area("c", 16_000_000)]))
    assert [d.id for d in plan.diagnostics] == ["pool-exhausted"]
    assert plan.diagnostics[0].message.endswith("hosts of c")
    whole = resolve(charter([area("a", 2**40)]))
    assert [d.id for d in whole.diagnostics] == ["pool-exhausted"]


# The largest free block, against every possible arrangement


def aligned(pool_bits: int, bits: int) -> list[Ranges]:
    return [((n << bits, ((n + 1) << bits) - 1),) for n in range(1 << (pool_bits - bits))]


def largest(free: Ranges) -> int:
    return max((bits for _, bits in free_blocks(free)), default=-1)


@cache
def best_by_trying_all(free: Ranges, sizes: tuple[int, ...], pool_bits: int) -> int | None:
    """The largest free aligned block (in bits) of the best arrangement; None if none fits."""
    if not sizes:
        return largest(free)
    tried = [
        best_by_trying_all(subtract(free, block), sizes[1:], pool_bits)
        for block in aligned(pool_bits, sizes[0])
        if not subtract(block, free)
    ]
    return max((t for t in tried if t is not None), default=None)


@given(
    st.lists(st.integers(0, 31), max_size=5),
    st.lists(st.integers(0, 3), min_size=1, max_size=4),
)
def test_the_smallest_block_that_fits_leaves_the_largest_free_one(
    occupied: list[int], sizes: list[int]
) -> None:
    free = subtract(((0, 31),), ranges(*((n, n) for n in occupied)))
    best = best_by_trying_all(free, tuple(sorted(sizes, reverse=True)), 5)
    for bits in sizes:
        start = best_fit(free, bits)
        if start is None:
            assert best is None
            return
        assert start % (1 << bits) == 0
        assert not subtract(((start, start + (1 << bits) - 1),), free)
        free = subtract(free, ((start, start + (1 << bits) - 1),))
    assert largest(free) == best


@given(st.lists(st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 2**16)), max_size=6))
def test_free_blocks_are_what_a_foreign_library_merges_them_to(
    pairs: list[tuple[int, int]],
) -> None:
    """Against netaddr's `cidr_merge`."""
    free = ranges(*((a, min(a + n, 2**32 - 1)) for a, n in pairs))
    ours = [IPNetwork(f"{IPv4Address(start)}/{32 - bits}") for start, bits in free_blocks(free)]
    assert ours == cidr_merge(ours)
    assert sum(n.size for n in ours) == sum(high - low + 1 for low, high in free)


def test_eight_neighbouring_networks_aggregate_to_one() -> None:
    """RFC 4632 section 5, its example block 10.24.0.0 (from memory): eight /24 are a /21."""
    eight = coding.network(*(IPv4Network(f"10.24.{n}.0/24") for n in range(8)))
    assert list(free_blocks(eight)) == [(int(IPv4Address("10.24.0.0")), 32 - 21)]
    shifted = coding.network(*(IPv4Network(f"10.24.{n}.0/24") for n in range(1, 9)))
    assert [32 - bits for _, bits in free_blocks(shifted)] == [24, 23, 22, 24]


@given(st.integers(0, 2**31 - 4), st.sampled_from([0.0, 0.1, 0.15, 0.3, 0.5, 1.0]))
def test_a_prefix_for_hosts_is_the_longest_that_holds_them(hosts: int, growth: float) -> None:
    length = prefix_for(hosts, growth)
    needed = round(hosts * (1 + growth) + 0.499999) + 3  # growth in hundredths: exact enough
    assert 2 ** (32 - length) >= needed - 1
    assert length == 0 or 2 ** (31 - length) <= needed


def test_growth_in_tenths_is_not_rounded_up_by_binary_fractions() -> None:
    assert prefix_for(230, 0.1) == 24  # 253 hosts and 3 more: exactly 256
    assert 230 * (1 + 0.1) > 253  # what naive arithmetic says
