"""How long a listing takes from text to decisions: long chains, a site's kit, large sets.

Processor time of this process, the median of several runs after one to warm up. The listings are
written here in the form of `nft -j list ruleset`, except the demonstration site's, which a kernel
lists where a network namespace can be made (as root).

    python -m benchmarks.readback_speed [RUNS]

Aims on the machine of the project: 1 000 rules in 1 s; the demonstration site's kit in 1 s.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from ipaddress import IPv4Address
from pathlib import Path
from random import Random
from time import process_time
from typing import Any

from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import V6, Decisions, Host
from netcharter.readback.walk import decisions

Item = dict[str, Any]
TABLE = {"family": "inet", "table": "gate"}
DEMO = Path(__file__).parents[1] / "examples" / "tarn-hollow" / "charter.yaml"
KIT = Path(__file__).parents[1] / "tests" / "render" / "golden" / "nftables.nft"
HOST = Host(
    devices=("eth0", "eth1", "eth2", "eth3"),
    own={"eth0": ((0xCB007102, 0xCB007102),), "eth1": ((0x0A000001, 0x0A000001),)},
    routes=(
        (((0x0A000000, 0x0A0000FF),), ("eth1",)),
        (((0x0A000100, 0x0A0001FF),), ("eth2",)),
        (((0x0A000200, 0x0A0002FF),), ("eth3",)),
        (((0, V6 - 1),), ("eth0",)),
        (((V6, V6 + (1 << 128) - 1),), ("eth0",)),
    ),
)


def payload(protocol: str, field: str) -> Item:
    return {"payload": {"protocol": protocol, "field": field}}


def match(left: Item, right: Any, op: str = "==") -> Item:
    return {"match": {"op": op, "left": left, "right": right}}


def chain(name: str, hook: str | None = None, policy: str = "accept") -> Item:
    base = {"type": "filter", "hook": hook, "prio": 0, "policy": policy} if hook else {}
    return {"chain": {"family": "inet", "table": "gate", "name": name, **base}}


def rule(name: str, *statements: Item) -> Item:
    return {"rule": {**TABLE, "chain": name, "expr": list(statements)}}


def written(*items: Item) -> str:
    head = {"metainfo": {"version": "1.0.6", "json_schema_version": 1}}
    return json.dumps({"nftables": [head, {"table": {"family": "inet", "name": "gate"}}, *items]})


# --- listings ------------------------------------------------------------------------------------


def linear(rules: int) -> str:
    """One long chain of forward with all sorts of rules, and a few that every chain begins with."""
    rng = Random(rules)
    items = [chain("in", "input", "drop"), chain("fwd", "forward", "drop"), chain("refuse")]
    states = match({"ct": {"key": "state"}}, ["established", "related"], "in")
    items += [rule(name, states, {"accept": None}) for name in ("in", "fwd")]
    items.append(rule("refuse", {"limit": {"rate": 10, "per": "second"}}, {"reject": None}))
    items.append(rule("refuse", {"drop": None}))
    items += [rule("fwd", *mixed(rng)) for _ in range(rules)]
    return written(*items)


def mixed(rng: Random) -> Iterator[Item]:
    """Every rule names an address at least, so that none ends the chain."""
    kind, ends = rng.random(), rng.choice(["source", "destination", "both"])
    if kind < 0.6:
        yield match({"meta": {"key": "iifname"}}, f"eth{rng.randrange(1, 4)}")
    if ends != "destination":
        yield match(payload("ip", "saddr"), network(rng, 10))
    if ends != "source":
        yield match(payload("ip", "daddr"), network(rng, 203))
    ports = sorted(rng.sample(range(1, 60000), 3))
    if kind < 0.5:
        yield match(payload("tcp", "dport"), rng.choice([ports[0], {"set": ports}]))
    elif kind < 0.8:
        yield match(payload("udp", "dport"), {"range": [ports[0], ports[0] + 20]})
    yield rng.choice([{"accept": None}, {"accept": None}, {"jump": {"target": "refuse"}}])


def network(rng: Random, first: int) -> Any:
    address = (first << 24) + rng.randrange(1 << 16)
    if rng.random() < 0.5:
        return str(IPv4Address(address))
    length = rng.choice([24, 26, 28])
    low = address >> (32 - length) << (32 - length)
    return {"prefix": {"addr": str(IPv4Address(low)), "len": length}}


def large_set(elements: int) -> str:
    """A set of many addresses that is asked three times, once as a negation."""
    members = [str(IPv4Address(0x0B000000 + 3 * number)) for number in range(elements)]
    named: dict[str, Item] = {
        "set": {**TABLE, "name": "many", "type": "ipv4_addr", "elem": members}
    }
    asked = payload("ip", "saddr")
    return written(
        chain("fwd", "forward", "drop"),
        named,
        rule("fwd", match(asked, "@many"), match(payload("tcp", "dport"), 22), {"drop": None}),
        rule("fwd", match(payload("ip", "daddr"), "@many"), {"accept": None}),
        rule("fwd", match(asked, "@many", "!="), {"accept": None}),
    )


def large_concatenation(elements: int) -> str:
    """A set of many pairs of address and port, few of which stand together."""
    rng = Random(elements)
    members = [
        {"concat": [str(IPv4Address(0x0B000000 + n)), rng.randrange(1, 65536)]}
        for n in range(elements)
    ]
    named: dict[str, Item] = {
        "set": {**TABLE, "name": "pairs", "type": ["ipv4_addr", "inet_service"]}
    }
    named["set"]["elem"] = members
    key = {"concat": [payload("ip", "daddr"), payload("tcp", "dport")]}
    return written(
        chain("fwd", "forward", "drop"), named, rule("fwd", match(key, "@pairs"), {"accept": None})
    )


def large_map(elements: int) -> str:
    """A verdict map of many addresses with three verdicts."""
    verdicts: list[Item] = [{"accept": None}, {"drop": None}, {"jump": {"target": "refuse"}}]
    members = [[str(IPv4Address(0x0B000000 + n)), verdicts[n % 3]] for n in range(elements)]
    named: dict[str, Item] = {
        "map": {**TABLE, "name": "ways", "type": "ipv4_addr", "map": "verdict"}
    }
    named["map"]["elem"] = members
    return written(
        chain("fwd", "forward", "drop"),
        chain("refuse"),
        named,
        rule("refuse", {"reject": None}),
        rule("fwd", {"vmap": {"key": payload("ip", "saddr"), "data": "@ways"}}),
    )


def kit() -> tuple[str, Host] | None:
    """The demonstration site's ruleset as a kernel lists it, and its gateway."""
    from netcharter.charter.read import read
    from netcharter.lab.agreement import plan_host
    from netcharter.plan import make_plan

    command = f"TZ=UTC nft -f {KIT} && nft -j list ruleset"
    done = subprocess.run(
        ["unshare", "-n", "sh", "-c", command], capture_output=True, text=True, check=False
    )
    charter = read(DEMO.read_bytes(), DEMO.name).charter
    if done.returncode != 0 or charter is None:
        return None
    return done.stdout, plan_host(make_plan(charter))


# --- measuring -----------------------------------------------------------------------------------


def measured(name: str, text: str, host: Host, runs: int) -> None:
    """One line: reading and walking, the leaves, whether all was followed."""
    read, walked, found = [], [], None
    for _ in range(runs + 1):
        start = process_time()
        listed = read_listing(text, name)
        assert listed.listing is not None, listed.problems
        middle = process_time()
        found = decisions(listed.listing, host)
        read.append(middle - start)
        walked.append(process_time() - middle)
    assert isinstance(found, Decisions)
    seconds = statistics.median(read[1:]), statistics.median(walked[1:])
    print(
        f"{name:>34}  read {seconds[0]:6.3f} s  walked {seconds[1]:6.3f} s  "
        f"{len(text) / 1e6:5.1f} MB  {len(found.leaves):>7,} leaves"
        f"{'' if found.complete else '  NOT COMPLETE'}"
    )


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print(f"{datetime.now(UTC):%d %B %Y}, Python {sys.version.split()[0]}, processor time")
    makers: dict[str, Callable[[], str]] = {
        "1 000 rules in a row": lambda: linear(1_000),
        "10 000 rules in a row": lambda: linear(10_000),
        "set of 100 000 addresses": lambda: large_set(100_000),
        "set of 100 000 pairs": lambda: large_concatenation(100_000),
        "verdict map of 100 000 addresses": lambda: large_map(100_000),
    }
    for name, maker in makers.items():
        measured(name, maker(), HOST, runs)
    site = kit()
    if site is None:
        print("the demonstration site's kit: no network namespace could be made")
    else:
        measured("the demonstration site's kit", *site, runs)


if __name__ == "__main__":
    main()
