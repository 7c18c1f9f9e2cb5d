"""Balanced lines: a device stays on one, also while another line is out; what is learnt is shared."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, combinations, product
from math import ceil, sqrt
from pathlib import Path

import pytest

from netcharter.render import render
from netcharter.render.routes import HEAVIEST, hops_of, known_together, spread, together
from netcharter.rollout.contents import contents
from netcharter.rollout.diverting import diverting, looking
from netcharter.rollout.shapes import HostState
from netcharter.rollout.unlike import unlike
from netcharter.rollout.wanted import as_before, settings_of, wanted
from netcharter.steward.loop.outward import held
from netcharter.steward.schedule import ways
from netcharter.steward.ways import Held, amiss, without
from tests.cli.gateway import beside
from tests.rollout.bench import Bench, bench, planned

ROOT = Path(__file__).parents[2]
HASH = 1 << 31  # values of the hash (net/ipv4/fib_semantics.c, fib_select_multipath)
CHARTER = """\
charter: 1
site: {name: Shared Valley, timezone: UTC, managed-from: desk}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, role: balanced, weight: 3}
  fibre: {device: eth1, pppoe: {as: site@isp.example}, role: balanced, weight: 2}
  mast: {device: eth3, role: balanced}
areas:
  office: {device: eth2, prefix: 10.7.0.0/22}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.7.0.5}
rules:
  - {let: office, reach: internet, with: udp/443-445, because: daily work}
places:
  beyond: {prefixes: [198.51.100.64/26]}
"""
WRITTEN = CHARTER.replace(
    "pppoe: {as: site@isp.example}", "address: 192.0.2.18/28, next-hop: 192.0.2.17"
)
WRITTEN = WRITTEN.replace(
    "eth3, role", "eth3, address: 198.51.100.18/28, next-hop: 198.51.100.17, role"
)

# --- stretches of the hash -----------------------------------------------------------------------


def stretches(parts: Sequence[tuple[str, int]]) -> list[tuple[str, int, int]]:
    """Which values of the hash each hop gets: fib_rebalance and fib_select_multipath of
    net/ipv4/fib_semantics.c (hash threshold, RFC 2992 section 2)."""
    total, reached, begin, found = sum(weight for _, weight in parts), 0, 0, []
    for name, weight in parts:
        reached += weight
        end = (reached * HASH * 2 + total) // (2 * total)  # DIV_ROUND_CLOSEST_ULL
        found.append((name, begin, end))
        begin = end
    return found


def owner(parts: Sequence[tuple[str, int]], value: int) -> str:
    return next(name for name, begin, end in stretches(parts) if begin <= value < end)


WEIGHTS = [(1, 1), (3, 1), (1, 1, 1), (3, 2, 1), (100, 1), (256, 255, 1), (1, 2, 3, 4, 5, 6)]


@pytest.mark.parametrize("weights", WEIGHTS)
def test_whatever_line_is_out_nobody_moves_who_was_on_another(weights: tuple[int, ...]) -> None:
    lines = dict(zip("abcdef", weights, strict=False))
    whole = spread(lines, tuple(lines))
    assert whole == list(lines.items())
    for used in chain.from_iterable(combinations(lines, n) for n in range(2, len(lines))):
        left = spread(lines, used)
        assert all(0 < weight <= HEAVIEST for _, weight in left)
        for name, begin, end in stretches(whole):
            if name in used:
                for value in (begin, (begin + end) // 2, end - 1):
                    assert owner(left, value) == name
        # What was the others' is shared by the weights, as nearly as whole numbers can.
        for name in used:
            share = sum(weight for one, weight in left if one == name) / sum(w for _, w in left)
            wanted = lines[name] / sum(lines[one] for one in used)
            out = len(lines) - len(used)
            assert abs(share - wanted) <= out / sum(weight for _, weight in left), (used, left)


def test_a_single_line_that_is_left_has_it_all() -> None:
    shares = together(planned(WRITTEN), 4)
    found = hops_of(4, shares, {"fibre": shares["fibre"].hop})
    assert found == ("nexthop via 192.0.2.17 dev eth1",)


def test_ipv6_takes_no_hop_twice() -> None:
    shares = together(planned(WRITTEN), 4)
    two = {name: shares[name].hop for name in ("copper", "mast")}
    assert [hop.rpartition(" ")[2] for hop in hops_of(6, shares, two)] == ["3", "1"]
    assert len(hops_of(4, shares, two)) > 2


# --- what the kit has, and what the steward writes -----------------------------------------------


def test_the_kit_has_the_route_where_nothing_is_to_be_learnt() -> None:
    plan = planned(WRITTEN)
    text = render(plan).files["routes.batch"].decode()
    hops = known_together(plan, 4)
    assert len(hops) == 3 and f"table 100 proto static {' '.join(hops)}\n" in text
    settings = contents(render(plan).files).settings
    # Documentation/networking/ip-sysctl: 3 is a hash of chosen fields, 1 of them the source address.
    assert settings["net/ipv4/fib_multipath_hash_policy"] == "3"
    assert settings["net/ipv4/fib_multipath_hash_fields"] == "1"


def test_other_settings_are_told_and_undone() -> None:
    files = render(planned(WRITTEN)).files
    names = {"net/ipv4/fib_multipath_hash_policy", "net/ipv4/fib_multipath_hash_fields"}
    assert names <= settings_of(files)
    before = HostState(0.0, settings=dict(zip(sorted(names), ("7", "0"), strict=True)))
    after = wanted(files, before)
    told = [one for one in unlike(after, before) if "multipath" in one]
    assert "setting net/ipv4/fib_multipath_hash_policy is 0 instead of 3" in told
    assert "setting net/ipv4/fib_multipath_hash_fields is 7 instead of 1" in told
    back = as_before(before, after, files).settings
    assert {name: back[name] for name in names} == before.settings


def test_the_kit_says_nothing_of_hashes_where_no_line_shares() -> None:
    alone = CHARTER.replace("role: balanced, weight: 3", "role: main")
    alone = alone.replace("role: balanced, weight: 2", "role: standby").replace("role: balanced}", "role: standby}")  # fmt: skip
    files = render(planned(alone)).files
    assert b"multipath" not in files["sysctl.conf"] and b"lookup 100\n" not in files["routes.batch"]


def test_what_is_learnt_is_shared_and_what_is_gone_is_not() -> None:
    plan = planned(CHARTER)
    text = render(plan).files["routes.batch"].decode()
    assert " lookup 100\n" in text and "table 100 " not in text
    assert without(text, ways(plan), 4, [("copper", 4)]).count("\n") < text.count("\n")
    session, lease = "dev ppp2", "via 198.51.100.17 dev eth3"
    table = {"ppp2": "102", "eth3": "main"}
    for ppp, mast, out in product((session, ""), (lease, ""), ((), ("copper",), ("mast",))):
        learnt = {"ppp2": ppp, "eth3": mast}
        there = Held(
            rules={4: frozenset()},
            learnt={(4, table[one], one): words for one, words in learnt.items() if words},
        )
        told = amiss(ways(plan), [(name, 4) for name in out], there).get(4, "")
        (route,) = [line for line in told.splitlines() if " table 100 " in line] or [""]
        for words, name in (
            (session, "fibre"),
            (lease, "mast"),
            ("via 203.0.113.9 dev eth0", "copper"),
        ):
            expected = name not in out and (name == "copper" or words in (ppp, mast))
            assert (words in route) is expected, (route, name)


def test_a_next_hop_outside_the_network_of_its_line_stays_one() -> None:
    """As iproute2 6.1 prints a route that was added with `onlink`."""
    row = {"dst": "default", "gateway": "198.51.100.1", "dev": "eth3", "table": "254", "metric": 5,
           "flags": ["onlink"]}  # fmt: skip
    later = {**row, "gateway": "198.51.100.2", "metric": 9, "flags": []}
    found = held({4: f"[]\n{json.dumps([row, later])}\n[]\n".encode()})
    assert found.learnt == {(4, "main", "eth3"): "via 198.51.100.1 dev eth3 onlink"}


# --- by a kernel, with packets -------------------------------------------------------------------

MANY = 600  # devices
DESTINATIONS, PORTS = 14, 3
SIGMAS = 5.0  # of the binomial distribution: the kernel's hash has a seed that chance gives it
SEND = """\
import socket, sys
many, begin, destinations, ports = map(int, sys.argv[1:])
for n in range(many):
    for far in range(begin, begin + destinations):
        for port in range(ports):
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
                one.bind((f"10.7.{1 + n // 250}.{n % 250 + 2}", 0))
                one.sendto(b"x", (f"198.51.100.{far}", 443 + port))
"""
NEIGHBOUR = "02:00:00:bb:00:01"
LINES = {1: "copper", 2: "fibre", 3: "mast"}
WEIGHT = {"copper": 3, "fibre": 2, "mast": 1}


class Site:
    """A gateway with its kit, and devices inside that send; nobody answers beyond the lines."""

    def __init__(self, gateway: Bench, inside: Bench, folder: Path) -> None:
        self.gateway, self.inside, self.folder = gateway, inside, folder
        self._next = 65

    def lead(self, *out: str) -> list[str]:
        """As the steward does; the hops that the kernel has then."""
        program = (sys.executable, "-m", "tests.steward.ways_inside", "led", str(self.folder))
        path = f"PYTHONPATH={ROOT / 'src'}:{ROOT}"
        self.gateway.sure(("env", "-C", str(ROOT), path, *program, *out))
        found = self.gateway.shell("ip route show table 100").split("nexthop")
        return [" ".join(one.split()) for one in found if " dev " in one]

    def lines_of(self, many: int = MANY, destinations: int = 1, ports: int = 1) -> dict[str, str]:
        """The line of each device that begins new conversations, several where they differ."""
        begin, self._next = self._next, self._next + destinations
        words = (str(word) for word in (many, begin, destinations, ports))
        self.inside.sure((sys.executable, "-c", SEND, *words))
        found: dict[str, set[str]] = {}
        for one in self.gateway.sure(("cat", "/proc/net/nf_conntrack")).splitlines():
            said = dict(word.split("=", 1) for word in reversed(one.split()) if "=" in word)
            if one.startswith("ipv4") and int(said["dst"].split(".")[3]) in range(
                begin, self._next
            ):
                line = LINES.get(int(said["mark"]) & 15, "none")
                found.setdefault(said["src"], set()).add(line)
        assert len(found) == many
        return {device: " ".join(sorted(lines)) for device, lines in found.items()}


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    files = render(planned(CHARTER)).files
    (tmp_path / "good.yaml").write_text(CHARTER, encoding="utf-8")
    (tmp_path / "up.sh").write_bytes(files["ppp-up.sh"])
    with bench() as here, beside(here) as inside:
        here.devices(("eth0", "eth1", "eth3", "eth2", "ppp2"))
        here.sure(("ip", "link", "set", "peer3", "netns", inside.way[inside.way.index("-t") + 1]))
        here.sure(("nft", "-f", "-"), files["nftables.nft"])
        for name in ("addresses.batch", "routes.batch"):
            here.sure(("ip", "-force", "-batch", "-"), files[name])
        here.sure(("sysctl", "-q", "-p", "-"), files["sysctl.conf"])
        here.shell(
            f"ip neigh replace 203.0.113.9 lladdr {NEIGHBOUR} dev eth0 nud permanent;"
            "ip link set ppp2 arp off"
        )
        addresses = (
            f"address add 10.7.{1 + n // 250}.{n % 250 + 2}/32 dev lo" for n in range(MANY)
        )
        inside.sure(("ip", "-batch", "-"), "\n".join(addresses) + "\n")
        inside.shell(
            "ip link set peer3 up; ip address add 10.7.0.9/22 dev peer3;"
            "ip route add default via 10.7.0.1"
        )
        yield Site(here, inside, tmp_path)


def as_by_chance(found: Mapping[str, str], expected: Mapping[str, int]) -> None:
    """How many devices are on each line: within some standard deviations of the binomial
    distribution, sqrt(n p (1 - p)), as if each device were thrown for itself."""
    seen, total, whole = Counter(found.values()), sum(expected.values()), len(found)
    assert set(seen) <= set(expected)
    for name, weight in expected.items():
        p = weight / total
        allowed = ceil(SIGMAS * sqrt(whole * p * (1 - p)))
        assert abs(seen[name] - whole * p) <= allowed, seen


def led_away(site: Site) -> list[str]:
    """What a roll-out and `holds` tell of routes that are none of ours."""
    asking = looking()
    question = next(asking)
    while True:
        try:
            question = asking.send(site.gateway.run(question.argv, question.stdin))
        except StopIteration as end:
            files = render(planned(CHARTER)).files
            told = diverting(files, site.gateway.observe(), end.value, lambda where: True)
            return [one.sentence for one in told if " table 100 " in one.sentence]


def learn(site: Site) -> None:
    """A PPPoE session begins, and a lease comes; as pppd's hook and a DHCP client tell the kernel."""
    site.gateway.shell(
        f"PPP_IPPARAM=netcharter-102 PPP_IFACE=ppp2 PPP_LOCAL=10.64.0.2 sh {site.folder / 'up.sh'};"
        "ip address add 198.51.100.18/28 dev eth3;"
        "ip route add default via 198.51.100.17 dev eth3 proto dhcp;"
        f"ip neigh replace 198.51.100.17 lladdr {NEIGHBOUR} dev eth3 nud permanent"
    )


@pytest.mark.kernel
def test_devices_stay_on_their_lines_with_packets(site: Site) -> None:
    """What is learnt takes its part; a device stays on one line, also while another one is out."""
    assert site.lead() == ["default via 203.0.113.9 dev eth0 proto static"]
    learn(site)
    assert [hop.partition(" weight ")[0] for hop in site.lead()] == [
        "via 203.0.113.9 dev eth0", "dev ppp2", "via 198.51.100.17 dev eth3",
    ]  # fmt: skip
    assert led_away(site) == []
    for line in site.lines_of(30, DESTINATIONS, PORTS).values():
        assert line in WEIGHT  # one alone, wherever it goes
    whole = site.lines_of()
    as_by_chance(whole, WEIGHT)
    for out in WEIGHT:
        assert len(site.lead(out)) >= 2
        left = site.lines_of()
        assert out not in left.values()
        moved = {device: line for device, line in left.items() if whole[device] != line}
        assert set(moved) == {device for device, line in whole.items() if line == out}
        as_by_chance(moved, {name: w for name, w in WEIGHT.items() if name != out})
    site.lead()
    assert site.lines_of() == whole  # whose line is back is on it again, and nobody else moved
    site.gateway.shell("ip route replace default dev eth2 table 100")
    assert led_away(site)
    # The session ends: the kernel takes its hop away with the device, and the steward the rest.
    site.gateway.shell("ip link delete ppp2")
    assert "ppp2" not in " ".join(site.lead())
    left = site.lines_of()
    assert all(left[device] == line for device, line in whole.items() if line != "fibre")
