"""The five transactions in which a table takes the place of another, on the real kernel.

The kernel has to take and to refuse what the model takes and refuses, and to list the same in the
end as after a fresh load. In between it is read back and proven to hold the old plan or the new.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from random import Random

import pytest

from netcharter.plan.shapes import Plan
from netcharter.rollout.converge import converge
from netcharter.rollout.exchanging import meanwhile
from netcharter.rollout.filtering import LATE, exchange
from netcharter.rollout.listing import plain, seconds
from netcharter.rollout.shapes import HostState, Table
from netcharter.rollout.unlike import unlike
from netcharter.rollout.wanted import as_before, settings_of, wanted
from tests.kernel.equality import judged
from tests.kernel.namespace import needed
from tests.rollout.bench import Bench, bench, kit_of, planned
from tests.rollout.pair import DEVICES, NEW, OLD
from tests.rollout.tables import TABLE, Loaded, Refused, drawn
from tests.rollout.test_exchanging import living

pytestmark = pytest.mark.kernel

PAIRS = 12
LOAD = ("nft", "-f", "-")


@pytest.fixture
def host() -> Iterator[Bench]:
    with bench() as found:
        yield found


def root_only() -> None:
    """A user namespace takes no large ruleset in one transaction (docs of `lab.loading`)."""
    if "-Urnm" in needed():
        pytest.skip("THIS KERNEL TEST DID NOT RUN: a ruleset of its size takes root")


def takes(host: Bench, text: str) -> bool:
    return host.run(LOAD, text).code == 0


def fresh(host: Bench, text: str) -> str:
    """What the kernel has of a table that it has loaded anew."""
    host.sure(LOAD, f"table {TABLE}\ndelete table {TABLE}\n{text}")
    return told(host)


def told(host: Bench) -> str:
    """The listing without what lives, and without the remark of the table itself, which the kernel
    takes but once (measured)."""
    (table,) = from_kernel(host).tables
    return plain(re.sub(r'^\tcomment "[^"]*"\n', "", table.text, flags=re.MULTILINE))


def from_kernel(host: Bench) -> HostState:
    """What a roll-out reads of the one table that there is."""
    state = host.observe()
    assert [(t.family, t.name) for t in state.tables] == [("inet", "netcharter")]
    return state


@pytest.mark.parametrize("number", range(PAIRS))
def test_the_kernel_takes_and_refuses_what_the_model_does(
    host: Bench, number: int, seed: int
) -> None:
    rng = Random(f"{seed} exchanging {number}")
    old, new = drawn(rng, True), drawn(rng, rng.random() < 0.5)
    listed = fresh(host, new)
    fails = {rng.randrange(5)} if number % 2 else set()
    host.sure(LOAD, f"delete table {TABLE}\n{old}{living(old)}")
    model = Loaded()
    model.load(old)
    now = from_kernel(host)
    texts = exchange(now, wanted_state(now, new), now.at).stages
    assert len(texts) == 5
    for place, text in enumerate(texts):
        said = f"delete chain {TABLE} nothing\n" if place in fails else text
        try:
            model.load(said)
            taken = True
        except Refused:
            taken = False
        assert takes(host, said) is taken, (place, fails)
    if fails:  # whoever comes next makes it so, and leaves nothing over
        now = from_kernel(host)
        for text in exchange(now, wanted_state(now, new), now.at).stages:
            host.sure(LOAD, text)
    assert told(host) == listed


def wanted_state(now: HostState, text: str) -> HostState:
    return HostState(now.at, tables=(Table("inet", "netcharter", text),))


def test_what_lives_is_never_away_and_lives_no_longer(host: Bench) -> None:
    text = f"table {TABLE} {{\n\tset nc_who4_a {{\n\t\ttype ipv4_addr\n\t\tflags timeout\n\t}}\n"
    text += "\tchain nc_input {\n\t\ttype filter hook input priority filter; policy accept;\n"
    old, new = f"{text}\t\tip saddr @nc_who4_a accept\n\t}}\n}}\n", f"{text}\t}}\n}}\n"
    new = new.replace("accept;\n", "accept;\n\t\tip saddr @nc_who4_a drop\n")
    ends = time.monotonic() + 100
    host.sure(LOAD, f"{old}add element {TABLE} nc_who4_a {{ 192.0.2.1 timeout 100s }}\n")
    now = from_kernel(host)
    at = time.clock_gettime(time.CLOCK_BOOTTIME)
    for text in exchange(now, wanted_state(now, new), at).stages:
        host.sure(LOAD, text)
        listing = host.sure(("nft", "list", "table", *TABLE.split()))
        left = ends - time.monotonic()
        asked = re.search(r"\t+ip saddr @(\S+)", listing)  # what comes first is what counts
        assert asked is not None
        found = re.findall(r"set (\S+) {[^}]*elements = { 192.0.2.1 [^}]*expires (\w+)", listing)
        names = {name for name, _ in found}
        assert names and names <= {"nc_who4_a", meanwhile("nc_who4_a")}
        assert asked[1] in names
    (last,) = (seconds(expires) for _, expires in found)
    assert left - LATE - 2 < last <= left


def test_it_is_proven_after_each_to_be_the_old_plan_or_the_new(host: Bench) -> None:
    """By the reading back of what the kernel lists, and on the way back as well."""
    root_only()
    host.devices(DEVICES)
    old, new = kit_of(OLD), kit_of(NEW)
    names = settings_of(old, new)
    host.take(converge(host.observe(names), wanted(old, host.observe(names), None)))
    before = host.observe(names)
    for plan, last, target in (
        (planned(NEW), planned(OLD), wanted(new, before, old)),
        (planned(OLD), planned(NEW), None),
    ):
        now = host.observe(names)
        texts = exchange(now, target or as_before(before, now, new, old), now.at).stages
        assert len(texts) == 5
        for place, text in enumerate(texts):
            assert_plan(host, last if place <= 1 else plan, place in (2, 3))
            host.sure(LOAD, text)
        assert_plan(host, plan, False)


LIMITED = """
  barn: {device: eth3, prefix: 10.7.1.0/26}
devices:
  till: {area: barn, hardware: '02:00:00:aa:00:01', address: lasting}
offers:
  - {offer: https, on: copper, to: till, per-source: {new: 30 per minute, at-once: 20}, because: a}
"""


def test_what_packets_fill_is_no_part_of_a_state_and_no_hindrance(host: Bench) -> None:
    """Limits per source: sets in which packets leave elements with `limit` and `ct count`. A text
    with them would not be what a kit says, and nothing of them has to be carried on."""
    root_only()
    host.devices(DEVICES)
    before = OLD.replace("\n  barn: {device: eth3, prefix: 10.7.1.0/26}\n", LIMITED)
    after = before.replace("new: 30", "new: 60").replace("203.0.113.10/29", "203.0.113.11/29")
    old, new = kit_of(before), kit_of(after)
    names = settings_of(old, new)
    host.take(converge(host.observe(names), wanted(old, host.observe(names), None)))
    empty = from_kernel(host)
    filled(host)
    listing = host.sure(("nft", "list", "table", *TABLE.split()))
    assert re.search(r"192\.0\.2\.7 limit rate over 30/minute burst 30 packets expires", listing)
    full, first = from_kernel(host), told(host)
    assert full.tables == empty.tables and not full.tables[0].living
    assert unlike(empty, full) == ()
    texts = exchange(full, wanted(new, full, old), full.at).stages
    assert len(texts) == 5
    for place, text in enumerate(texts):
        assert_plan(host, planned(before if place <= 1 else after), place in (2, 3))
        host.sure(LOAD, text)
    assert_plan(host, planned(after), False)
    filled(host)
    back = exchange(from_kernel(host), full, full.at)
    assert len(back.stages) == 5
    for text in back.stages:
        host.sure(LOAD, text)
    assert_plan(host, planned(before), False)
    assert told(host) == first


def filled(host: Bench) -> None:
    """Elements as packets leave them, put there by hand: a rule that measures is part of each."""
    number = "60" if "over 60/minute" in host.sure(("nft", "list", "ruleset")) else "30"
    rate = f"limit rate over {number}/minute burst {number} packets"
    host.sure(LOAD, f"add element {TABLE} nc_new4_offer_1 {{ 192.0.2.7 {rate} }}\n")
    host.sure(LOAD, f"add element {TABLE} nc_new6_offer_1 {{ 2001:db8:9:: {rate} }}\n")
    host.sure(LOAD, f"add element {TABLE} nc_once4_offer_1 {{ 192.0.2.7 ct count over 20 }}\n")


def assert_plan(host: Bench, plan: Plan, other_names: bool) -> None:
    listing = host.sure(("nft", "-j", "list", "ruleset"))
    if other_names:
        listing = swapped(listing)
    found = judged(plan, json.loads(listing))
    assert found.same, "\n".join(one.sentence for one in found.differences)


def swapped(listing: str) -> str:
    """A listing in which what has the other names meanwhile has those that it will have."""
    bases = {
        each["chain"]["name"]
        for each in json.loads(listing)["nftables"]
        if "hook" in each.get("chain", {})
    }

    def other(found: re.Match[str]) -> str:
        name = found[2]
        if name in bases:
            return found[0]
        first = {"nc_": "nx_", "nx_": "nc_"}[name[:3]]
        return f'"{found[1]}{first}{name[3:]}"' if first + name[3:] not in bases else found[0]

    return re.sub(r'"(@?)(n[cx]_[^" ]*)"', other, listing)
