"""A ruleset in the kernel against readback's decisions of its listing, packet by packet."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from fcntl import LOCK_EX, flock
from functools import cache
from ipaddress import IPv4Interface, IPv6Interface, ip_interface, ip_network
from pathlib import Path
from random import Random
from typing import Any

import netcharter
from netcharter.readback.decide import decide
from netcharter.readback.host import host_of
from netcharter.readback.listing import read_listing
from netcharter.readback.shapes import Answer, Condition, Decisions, Host
from netcharter.readback.walk import decisions
from netcharter.space.ranges import Ranges, union
from tests.readback import ground
from tests.readback.frames import Sent
from tests.readback.judging import coded, kinds, packet, wrong
from tests.readback.trying import SECOND_LOOK, Kernel, Outcome

CORPUS = Path(__file__).with_name("corpus.json")
UNSETTLED = frozenset({"limit", "quota"})


@dataclass
class Tally:
    """How many packets agreed; how many got "may" although no limit or quota was in their way."""

    packets: int = 0
    may: int = 0
    aside: int = 0  # met a limit or quota
    wrong: list[str] = field(default_factory=list)
    suspects: list[Sent] = field(default_factory=list)  # the packets that went wrong
    doubts: list[str] = field(default_factory=list)
    fates: Counter[str] = field(default_factory=Counter)  # what the kernel did, in a few words

    def add(self, other: Tally) -> None:
        self.packets += other.packets
        self.may += other.may
        self.aside += other.aside
        self.wrong += other.wrong
        self.suspects += other.suspects
        self.doubts += other.doubts
        self.fates += other.fates


@cache
def host() -> Host:
    """What `ground` says of the host, in readback's terms."""
    own: dict[str, Ranges] = {}
    routes: list[tuple[int, Ranges, str]] = [
        (0, _network("0.0.0.0/0"), "up0"),
        (3, _network("2000::/3"), "up0"),
    ]
    broadcast: list[Ranges] = []
    for device in ground.DEVICES:
        there = [ip_interface(each) for each in device.own]
        own[device.name] = union(*(_network(str(each.ip)) for each in there))
        for each in there:
            if not each.ip.is_link_local:
                routes.append((each.network.prefixlen, _network(str(each.network)), device.name))
            if each.version == 4:
                broadcast.append(_network(str(each.network.broadcast_address)))
    anycast = (_network(str(each.network[0])) for each in _all_interfaces() if each.version == 6)
    routes.append((16, _network("10.66.0.0/16"), ""))
    ordered = sorted(routes, key=lambda route: -route[0])
    ways = tuple((to, (name,) if name else ()) for _, to, name in ordered)
    return Host(ground.NAMES, own, ways, union(*broadcast), union(*anycast))


def kernel_host(kernel: Kernel) -> Host:
    """What readback makes of what the kernel's own tools say of the host."""
    return _host_of(*(kernel.host[name] for name in ("addresses", "routes4", "routes6")))


@cache
def _host_of(addresses: str, routes4: str, routes6: str) -> Host:
    return host_of(addresses, routes4, routes6)


def _all_interfaces() -> list[IPv4Interface | IPv6Interface]:
    return [ip_interface(each) for device in ground.DEVICES for each in device.own]


def _network(text: str) -> Ranges:
    found = ip_network(text)
    return ((coded(str(found[0])), coded(str(found[-1]))),)


def read(listing: str, there: Host) -> Decisions:
    """The decisions of a listing that must be readable."""
    listed = read_listing(listing, "listing")
    assert listed.listing is not None, listed.problems
    return decisions(listed.listing, there)


def compare(
    kernel: Kernel,
    ruleset: str,
    packets: Sequence[Sent],
    held: Callable[[Sent, Condition], bool] | None = None,
    blind: Random | None = None,
) -> Tally:
    """Load, list, read back, send, compare. What differs is sent once more, with patience.

    held: what is true of a packet and a condition, where that is known. blind: read the listing with one thing in it that is not understood; where that has any part in
    an answer the answer must say so ("may"), and need not be right about counters.
    """
    tried = kernel.tried(ruleset, packets)
    listing = blinded(tried.listing, blind) if blind else tried.listing
    found = read(listing, kernel_host(kernel))
    mute = may_be_mute(tried.listing)
    tally = Tally(packets=len(packets))
    conditions = {each for leaf in found.leaves for each, _ in leaf.held} if held else set()
    suspects = []
    for sent, outcome in zip(packets, tried.outcomes, strict=True):
        tally.fates.update(kinds(sent, outcome))
        known = {each: held(sent, each) for each in conditions} if held else {}
        answer = decide(found, packet(sent), known)
        if answer.may:
            _count(tally, sent, answer)
        if blind and answer.may:
            continue
        if wrong(found, answer, sent, outcome, mute, counted=not blind) is not None:
            suspects.append((sent, answer))
    if suspects:
        again = kernel.tried(ruleset, [sent for sent, _ in suspects], SECOND_LOOK)
        for (sent, answer), outcome in zip(suspects, again.outcomes, strict=True):
            problems = wrong(found, answer, sent, outcome, mute, counted=not blind)
            if problems is not None:
                tally.suspects.append(sent)
                tally.wrong.append(_told(sent, answer, outcome, problems))
    return tally


def blinded(listing: str, rng: Random) -> str:
    """The listing with one thing in it that nobody can understand, where there was something."""
    items = json.loads(listing)
    rules = [each["rule"] for each in items["nftables"] if "rule" in each]
    expressions = [(rule["expr"], place) for rule in rules for place in range(len(rule["expr"]))]
    if not expressions:
        return listing
    expr, place = rng.choice(expressions)
    ((kind, said),) = expr[place].items()
    mystery = {"unheard-of": {"key": kind}}
    turn = rng.random()
    if kind == "match" and turn < 0.6:
        said[rng.choice(("left", "right"))] = mystery
    elif kind == "match" and turn < 0.8:
        said["op"] = "~"
    elif kind == "vmap":
        said[rng.choice(("key", "data"))] = mystery
    else:
        expr[place] = mystery
    return json.dumps(items)


def _count(tally: Tally, sent: Sent, answer: Answer) -> None:
    conditions = {condition for leaf in answer.leaves for condition, _ in leaf.held}
    if any(condition.kind in UNSETTLED for condition in conditions):
        tally.aside += 1
        return
    tally.may += 1
    tally.doubts.append(f"{sent}: {sorted(str(each) for each in conditions)}")


def _told(sent: Sent, answer: Answer, outcome: Outcome, problems: Sequence[str]) -> str:
    lines = [f"{sent}", f"  kernel: {outcome}"]
    for leaf, problem in zip(answer.leaves, problems, strict=False):
        by = f"{leaf.decider.table} {leaf.decider.chain} {leaf.decider.number}"
        lines.append(f"  {leaf.verdict} by {by}: {leaf.decider.text}\n    {problem}")
    return "\n".join(lines if answer.leaves else [*lines, "  no leaf holds it"])


def told(ruleset: str, found: Tally) -> str:
    """A ruleset and the first of what went wrong with it, or of what stayed open."""
    return "\n".join([ruleset, *(found.wrong or found.doubts)[:5]])


def may_be_mute(listing: str) -> bool:
    """Whether the ruleset may stop the host's own refusals: it has chains they pass through."""
    chains = (each["chain"] for each in json.loads(listing)["nftables"] if "chain" in each)
    return any(chain.get("hook") in ("output", "postrouting") for chain in chains)


# --- the corpus of what once went wrong ------------------------------------------------------------


def corpus() -> list[dict[str, Any]]:
    """Entries {"seed", "ruleset", "packets"}: each packet as the fields of `Sent`."""
    found: list[dict[str, Any]] = json.loads(CORPUS.read_text(encoding="utf-8"))
    return found


def packets_of(entry: Mapping[str, Any]) -> list[Sent]:
    return [Sent(*each) for each in entry["packets"]]


def keeps() -> bool:
    """Whether a disagreement is written down: not of a copy with a fault planted, nor unattended."""
    ours = Path(netcharter.__file__).is_relative_to(CORPUS.parents[2])
    return ours and os.environ.get("CI", "").lower() not in ("1", "true")


def remember(seed: str, ruleset: str, packets: Sequence[Sent]) -> None:
    """Keep a disagreement, so that it is tried again first from now on; one per seed.

    Where it must not be kept it is printed, ready to be put into the corpus by hand.
    """
    entry = {"seed": seed, "ruleset": ruleset, "packets": [astuple(each) for each in packets]}
    if not keeps():
        print(json.dumps(entry, indent=1, ensure_ascii=False))
        return
    with CORPUS.open("r+", encoding="utf-8") as file:
        flock(file, LOCK_EX)
        entries = json.load(file)
        if all(each["seed"] != seed for each in entries):
            entries.append(entry)
            file.seek(0)
            json.dump(entries, file, indent=1, ensure_ascii=False)
            file.write("\n")
            file.truncate()
