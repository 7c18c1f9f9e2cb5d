"""What the kernel holds decides every attempt as the plan does.

The plan's kit is loaded into a kernel, the kernel lists what it has, and an interpreter that
knows neither plan nor kit sends packets through the listing.

Four sorts of attempts are not compared, and each is asked something else instead:

* no way out (`routed` decisions): the routing refuses before any hook; nothing is asked;
* ICMP errors and replies: the kernel counts them as part of a conversation or as invalid, never
  as a first packet, whatever the decisions say of them; they must be dropped silently;
* IPv4 messages without a conversation that would leave by a line with an inside address, which
  nobody can translate: they must be dropped silently, after they were counted;
* loopback destinations from outside: the kernel drops them before any hook, also where a place
  of the charter has a prefix so wide that it holds them; nothing is asked.
"""

from __future__ import annotations

import re
from dataclasses import replace
from ipaddress import IPv4Network, IPv6Network, ip_network
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.plan import coding, fate, labels, make_plan
from netcharter.plan.fate import Attempt, Environment
from netcharter.plan.shapes import Plan
from netcharter.render import render
from tests.kernel.namespace import listing
from tests.kernel.packets import Decision, Kernel
from tests.kernel.sampling import attempts as sampled
from tests.kernel.site import Bench, belongs_to_a_conversation, host, plain
from tests.oracle.compared import coded, pair
from tests.render.plans import small_charter, small_plan

CHARTERS, ATTEMPTS, DEMO_ATTEMPTS = 20, 200, 2000


def bench(plan: Plan, folder: Path) -> Bench:
    found = Bench(plan, Kernel(listing(render(plan).files["nftables.nft"], folder), host(plan)))
    found.lines_known()
    return found


def differences(found: Bench, attempt: Attempt, environment: Environment) -> list[str]:
    """How kernel and plan disagree about one attempt."""
    expected = fate.fate(found.plan, attempt, environment)
    if expected.row.routed:
        return []
    seen: Decision = found.decide(attempt, environment)
    if belongs_to_a_conversation(attempt):
        if attempt.entrance == "gateway":  # its own answers to untracked packets may leave
            return []
        quiet = (seen.let, seen.manner) == (False, "silent")
        return [] if quiet else [f"not dropped as invalid: {seen}"]
    if seen.hook == "before any":
        return []
    if expected.let and shows_inside(found, attempt, seen):
        quiet = (seen.let, seen.manner) == (False, "silent")
        return [] if quiet else [f"an inside address is shown: {seen}"]
    wanted = [labels.row_name(expected.row.label)]
    delivered = expected.delivered
    if delivered is not None and attempt.service >> 16 not in coding.PORTED:
        delivered = (delivered[0], seen.delivered[1] if seen.delivered else delivered[1])
    problems = [
        f"{name}: {a} seen, {b} planned"
        for name, a, b in (
            ("verdict", seen.let, expected.let),
            ("manner", seen.manner, expected.manner),
            ("delivery", seen.delivered, delivered),
            ("counters", seen.counters, wanted),
        )
        if a != b
    ]
    return problems + marked(found, attempt, environment, seen) + hidden(found, attempt, seen)


def marked(found: Bench, attempt: Attempt, environment: Environment, seen: Decision) -> list[str]:
    """The mark of a let connection tells row and line, and who started it."""
    if not seen.let or untracked(attempt):
        return []
    mark = labels.unpack(seen.mark)
    row = found.plan.rows[mark.row_index] if mark.row_index is not None else None
    lines = {line.name: line.number for line in found.plan.lines}
    people = [p.name for p in found.plan.people]
    problems = []
    if row is None or labels.row_name(row.label) not in seen.counters:
        problems.append(f"mark tells another decision: {mark}")
    if attempt.entrance in lines and mark.line != lines[attempt.entrance]:
        problems.append(f"mark tells another line: {mark}")
    if mark.identity != labels.identity_class(environment.who, people):
        problems.append(f"mark tells somebody else: {mark}")
    return problems


def untracked(attempt: Attempt) -> bool:
    """Messages that conntrack has no conversation for carry no mark."""
    family = plain(attempt.source).version
    own = coding.ICMP if family == 4 else coding.ICMP6
    begin = {coding.ICMP: (8, 13, 15, 17), coding.ICMP6: (128, 139)}[own]
    return attempt.service >> 16 == own and (attempt.service & 0xFFFF) >> 8 not in begin


def shows_inside(found: Bench, attempt: Attempt, seen: Decision) -> bool:
    """Untracked IPv4 with the source of an area, on its way to a line."""
    source, end = plain(attempt.source), plain(attempt.destination)
    if source.version != 4 or seen.hook not in ("forward", "output") or not untracked(attempt):
        return False
    networks = [ip_network(str(area.v4)) for area in found.plan.areas]
    return any(source in n for n in networks) and found.leaves(end)


def hidden(found: Bench, attempt: Attempt, seen: Decision) -> list[str]:
    """IPv4 from an area leaves by a line, and returns to its own area, with the gateway's address."""
    areas = {area.name: area for area in found.plan.areas}
    if not seen.let or seen.hook != "forward" or attempt.entrance not in areas:
        return []
    source, end = plain(attempt.source), plain(attempt.destination)
    if seen.delivered is not None:
        end = seen.delivered[0]
    inside = [area for area in areas.values() if end in ip_network(str(area.v4))]
    hairpin = bool(inside) and inside[0].name == attempt.entrance
    wanted = source.version == 4 and (not inside or hairpin)
    return [] if seen.hidden == wanted else [f"hidden: {seen.hidden}, expected {wanted}"]


@pytest.mark.parametrize("number", range(CHARTERS))
def test_the_kernel_decides_as_the_plan_on_random_charters(number: int, tmp_path: Path) -> None:
    found = pair(number)
    kernel = bench(found.plan, tmp_path)
    for attempt, environment in found.attempts(ATTEMPTS):
        planned = Environment(environment.up, environment.who, environment.instant, environment.led)
        problems = differences(kernel, coded(found.plan, attempt), planned)
        assert not problems, f"{problems}\n{attempt}\n{environment}\n{found.text}"


def assert_agreement(found: Bench, seed: object, count: int) -> None:
    """On attempts drawn from the plan's own decisions; nearly all of them must decide some."""
    decided = set()
    for attempt, environment in sampled(found.plan, Random(f"{seed}"), count):
        problems = differences(found, attempt, environment)
        assert not problems, f"{problems}\n{found.packet(attempt)}\n{environment}"
        decided.add(fate.fate(found.plan, attempt, environment).row.label)
    never = [row.label for row in found.plan.rows if row.label not in decided]
    assert len(never) <= len(found.plan.rows) // 10, f"never decided: {never}"


def test_the_kernel_decides_as_the_plan_on_the_demo_site(
    repository: Path, seed: int, tmp_path: Path
) -> None:
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    charter = read(text, "charter.yaml").charter
    assert charter is not None
    assert_agreement(bench(make_plan(charter), tmp_path), seed, DEMO_ATTEMPTS)


def test_the_kernel_decides_as_the_plan_on_a_site_with_everything(
    seed: int, tmp_path: Path
) -> None:
    assert_agreement(bench(small_plan(), tmp_path), seed, DEMO_ATTEMPTS)


def test_offers_on_two_lines_with_unknown_addresses_are_told_apart(
    seed: int, tmp_path: Path
) -> None:
    charter = small_charter()
    unknown = replace(charter.lines["copper"], addresses=(), next_hops=(), automatic=True)
    charter = replace(charter, lines={**charter.lines, "copper": unknown})
    found = bench(make_plan(charter), tmp_path)
    assert_agreement(found, seed, DEMO_ATTEMPTS)


def test_places_with_many_prefixes_become_sets_that_rules_share(seed: int, tmp_path: Path) -> None:
    charter = small_charter()
    many = [IPv4Network((0xC0000000 + 512 * n + 3, 32)) for n in range(600)]
    many6 = [IPv6Network(f"2620:{n:x}::/48") for n in range(0, 1200, 2)]
    place = replace(charter.places["payments"], prefixes=(*many, *many6))
    charter = replace(charter, places={"payments": place})
    plan = make_plan(charter)
    text = render(plan).files["nftables.nft"].decode()
    assert 2 <= len(re.findall(r"    set nc_addr[46]_", text)) <= 4
    assert text.count("@nc_addr4_") > 2
    assert_agreement(bench(plan, tmp_path), seed, DEMO_ATTEMPTS)


def test_an_empty_set_of_hours_or_people_lets_nothing_more(tmp_path: Path) -> None:
    """A gateway whose steward and gate are dead: everyone is nobody, every window is shut."""
    found = bench(small_plan(), tmp_path)
    let_alive = let_dead = 0
    for attempt, environment in sampled(found.plan, Random("dead"), DEMO_ATTEMPTS):
        alive = found.decide(attempt, environment)
        found.silence()
        dead = found.kernel.decide(found.packet(attempt))
        let_alive, let_dead = let_alive + alive.let, let_dead + dead.let
        assert alive.let or not dead.let, f"{attempt}: only the dead let it"
    assert let_dead < let_alive
