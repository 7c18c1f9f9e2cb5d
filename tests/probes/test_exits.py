"""By which line a packet leaves where the charter has exits, against docs/explanation/kit.md: IPv4 by
the exit's lines in their order, IPv6 by the line its source belongs to."""

from __future__ import annotations

from ipaddress import ip_address

import pytest

from netcharter.charter.read import read
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.probes.stage import Stage

CHARTER = """charter: 1
site: {name: Hut, timezone: UTC, local-prefix: "fd5c:7a11:b0e::/48"}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:1::2/64"],
    next-hop: [203.0.113.9, "2001:db8:1::1"], prefix: "2001:db8:a::/48"}
  mast: {device: eth1, address: [198.51.100.2/29, "2001:db8:2::2/64"],
    next-hop: [198.51.100.1, "2001:db8:2::1"], prefix: "2001:db8:b::/48"}
areas:
  home: {device: eth2, prefix: 10.1.0.0/24}
exits:
  - {from: home, by: mast, or-else: OTHERS}
"""


@pytest.mark.parametrize(
    ("otherwise", "source", "up", "leaves"),
    [
        ("others", "10.1.0.9", {"dsl", "mast"}, {"mast"}),
        ("others", "10.1.0.9", {"dsl"}, {"dsl"}),
        ("refused", "10.1.0.9", {"dsl"}, set()),
        ("others", "2001:db8:a:1::9", {"dsl", "mast"}, {"dsl"}),
        ("refused", "2001:db8:a:1::9", {"dsl", "mast"}, set()),
        ("refused", "2001:db8:b:1::9", {"dsl", "mast"}, {"mast"}),
        # these a decision refuses, not routing
        ("refused", "fd5c:7a11:b0e:1::9", {"dsl"}, {"dsl"}),
        ("refused", "2001:db8:1::2", {"dsl", "mast"}, {"dsl"}),
    ],
)
def test_an_exit_chooses_the_line_of_ipv4_and_refuses_sources_of_other_lines_in_ipv6(
    otherwise: str, source: str, up: set[str], leaves: set[str]
) -> None:
    charter = read(CHARTER.replace("OTHERS", otherwise), "hut.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    stage = Stage(plan, world(plan))
    address = ip_address(source)
    (one,) = plan.exits
    assert stage.exit(address.version, address, frozenset(up), one).names == leaves


@pytest.mark.parametrize(
    ("exit_", "mast", "source", "near", "up", "leaves"),
    [
        # whoever may leave by a line goes straight to its neighbours
        ("by: mast, or-else: others", "", "10.1.0.9", "dsl", {"dsl", "mast"}, {"dsl"}),
        ("by: mast, or-else: refused", "", "10.1.0.9", "mast", {"dsl", "mast"}, {"mast"}),
        ("by: mast, or-else: refused", "", "2001:db8:b:1::9", "mast", {"dsl", "mast"}, {"mast"}),
        # who may not goes round by a line of its own, or nowhere
        ("by: mast, or-else: refused", "", "10.1.0.9", "dsl", {"dsl", "mast"}, {"mast"}),
        ("by: mast, or-else: refused", "", "10.1.0.9", "dsl", {"dsl"}, set()),
        ("by: mast, or-else: others", "", "2001:db8:b:1::9", "dsl", {"dsl", "mast"}, {"mast"}),
        ("by: mast, or-else: others", "", "2001:db8:b:1::9", "dsl", {"dsl"}, set()),
        ("by: mast, or-else: refused", "", "2001:db8:a:1::9", "dsl", {"dsl", "mast"}, set()),
        # a line that learns its next hop leads to no other line's own network
        ("by: mast, or-else: refused", "automatic", "10.1.0.9", "dsl", {"dsl", "mast"}, set()),
        ("by: mast, or-else: others", "automatic", "10.1.0.9", "dsl", {"dsl", "mast"}, {"dsl"}),
        ("by: mast, or-else: others", "automatic", "2001:db8:b:1::9", "dsl", {"mast"}, set()),
        # and what it learns itself is kept from others all the same
        ("by: dsl, or-else: refused", "automatic", "10.1.0.9", "mast", {"dsl", "mast"}, {"dsl"}),
        ("by: dsl, or-else: refused", "automatic", "10.1.0.9", "mast", {"mast"}, set()),
    ],
)
def test_neighbours_on_a_line_are_reached_straight_by_whoever_may_use_it(
    exit_: str, mast: str, source: str, near: str, up: set[str], leaves: set[str]
) -> None:
    text = CHARTER.replace("by: mast, or-else: OTHERS", exit_)
    if mast:
        start, end = text.index("address: [198"), text.index(', prefix: "2001:db8:b::')
        text = text[:start] + f"address: {mast}" + text[end:]
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    stage = Stage(plan, world(plan))
    address, (one,) = ip_address(source), plan.exits
    found = stage.exit(address.version, address, frozenset(up), one, near)
    assert found.names == leaves and not found.lacking
