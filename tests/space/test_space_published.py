"""Rule tables published elsewhere, as oracles.

A: Al-Shaer and Hamed's 12-rule table, as reproduced in several public files. B: Cuppens,
Cuppens-Boulahia and Garcia-Alfaro, "Misconfiguration Management of Network Security Components"
(arXiv 1912.07283). C: M. Gouda, CS386S, quiz 9 and 10 of spring 2009 and the quiz of 2008. What the
tables' papers count by pairs is not asked here; what is asked follows from first match alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from ipaddress import IPv4Network

import pytest

from netcharter.space.engine import Engine
from netcharter.space.model import Covered, Entry, Field, RuleList, Witness
from netcharter.space.partition import compare, survey
from netcharter.space.ranges import Ranges, full, ranges, size, subset
from tests.space import space_tiny as tiny

# ---- A ----

PACKETS = (
    Field("protocol", 2),
    Field("source", 1 << 32),
    Field("source port", 65536),
    Field("destination", 1 << 32),
    Field("port", 65536),
)
TABLE_A = """\
1 tcp 140.192.37.20/32 0.0.0.0/0 80 deny
2 tcp 140.192.37.0/24 0.0.0.0/0 80 accept
3 tcp 0.0.0.0/0 161.120.33.40/32 80 accept
4 tcp 140.192.37.0/24 161.120.33.40/32 80 deny
5 tcp 140.192.37.30/32 0.0.0.0/0 21 deny
6 tcp 140.192.37.0/24 0.0.0.0/0 21 accept
7 tcp 140.192.37.0/24 161.120.33.40/32 21 accept
8 tcp 0.0.0.0/0 0.0.0.0/0 any deny
9 udp 140.192.37.0/24 161.120.33.40/32 53 accept
10 udp 0.0.0.0/0 161.120.33.40/32 53 accept
11 udp 140.192.38.0/24 161.120.35.0/24 any accept
12 udp 0.0.0.0/0 0.0.0.0/0 any deny
"""


def network(text: str) -> Ranges:
    net = IPv4Network(text)
    return ranges((int(net[0]), int(net[-1])))


def table_a(default: str) -> RuleList:
    entries = []
    for line in TABLE_A.splitlines():
        number, protocol, source, destination, port, action = line.split()
        ports = full(65536) if port == "any" else ranges((int(port), int(port)))
        which = 0 if protocol == "tcp" else 1
        box = (ranges((which, which)), network(source), full(65536), network(destination), ports)
        entries.append(Entry(box, int(number), action))
    whole = tuple(full(field.size) for field in PACKETS)
    return RuleList(PACKETS, tuple(entries), default, (whole,))


def covered(verdicts: Mapping[int, object]) -> set[int]:
    return {rule for rule, verdict in verdicts.items() if isinstance(verdict, Covered)}


def without(rules: RuleList, rule: int) -> RuleList:
    kept = tuple(entry for entry in rules.entries if entry.rule != rule)
    return RuleList(rules.fields, kept, rules.default, rules.universe)


def greedily_reduced(rules: RuleList) -> list[int]:
    """Rules left after dropping, from the top, each one that can go at that moment."""
    for rule in Engine(rules).rule_numbers():
        if isinstance(Engine(rules).redundant()[rule], Covered):
            smaller = without(rules, rule)
            assert compare(rules, smaller).same
            rules = smaller
    return [entry.rule for entry in rules.entries]


@pytest.mark.parametrize("default", ["nothing matched", "deny"])
def test_table_a_has_two_rules_that_never_decide(default: str) -> None:
    dead = Engine(table_a(default)).dead()
    assert covered(dead) == {4, 7}
    assert dead[4] == Covered((2,))  # within rule 2 as it stands: same source, narrower destination
    assert dead[7] == Covered((6,))


def test_table_a_has_three_rules_that_can_go_alone() -> None:
    assert covered(Engine(table_a("nothing matched")).redundant()) == {4, 7, 9}


def test_table_a_under_a_default_refusal_can_spare_its_catch_alls_too() -> None:
    assert covered(Engine(table_a("deny")).redundant()) == {4, 7, 8, 9, 12}


def test_table_a_is_minimal_after_greedy_removal() -> None:
    assert greedily_reduced(table_a("nothing matched")) == [1, 2, 3, 5, 6, 8, 10, 11, 12]


# ---- B ----

PLANE = (Field("s", 128), Field("d", 128))
TABLE_B = (
    ((1, 30), (20, 45), "deny"),
    ((20, 60), (25, 35), "accept"),
    ((40, 70), (20, 45), "accept"),
    ((15, 45), (25, 30), "deny"),
    ((25, 45), (20, 40), "accept"),
)


def table_b(kept: tuple[int, ...] = (1, 2, 3, 4, 5)) -> RuleList:
    entries = tuple(
        Entry((ranges(s), ranges(d)), number, action)
        for number, (s, d, action) in enumerate(TABLE_B, 1)
        if number in kept
    )
    return RuleList(PLANE, entries, "none", ((ranges((1, 70)), ranges((20, 45))),))


def hidden_by_one_other(rules: RuleList) -> set[int]:
    """What a checker finds that compares rules in pairs only."""
    return {
        later.rule
        for at, later in enumerate(rules.entries)
        if any(
            all(subset(a, b) for a, b in zip(later.box, earlier.box, strict=True))
            for earlier in rules.entries[:at]
        )
    }


def test_table_b_has_a_rule_that_only_a_union_covers() -> None:
    rules = table_b()
    assert hidden_by_one_other(rules) == set()  # no pair shows it
    dead = Engine(rules).dead()
    assert covered(dead) == {4}
    assert dead[4] == Covered((1, 2))


def test_table_b_decides_as_many_pairs_per_rule_as_published() -> None:
    rules = table_b()
    engine = Engine(rules)
    assert [engine.effective(rule).count for rule in (1, 2, 3, 4, 5)] == [780, 330, 575, 0, 90]
    found = survey(rules, rules.universe, limit=100).counts
    totals: Counter[object] = Counter()
    for (_, outcome), count in found.items():
        totals[outcome] += count
    assert totals == {"deny": 780, "accept": 995, "none": 45}
    assert 70 * 26 == size(ranges((1, 70))) * size(ranges((20, 45))) == totals.total()


def test_table_b_is_equivalent_to_its_rules_1_3_5() -> None:
    assert compare(table_b(), table_b((1, 3, 5))).same
    assert not compare(table_b(), table_b((1, 3))).same


# ---- C ----

DIGITS = (Field("f1", 10), Field("f2", 10))


def digits(*rules: tuple[Ranges, Ranges, str], default: str = "none") -> RuleList:
    entries = tuple(Entry((a, b), at, action) for at, (a, b, action) in enumerate(rules, 1))
    return RuleList(DIGITS, entries, default, ((full(10), full(10)),))


def outcome_counts(rules: RuleList) -> Counter[object]:
    return Counter(tiny.decide(rules, point)[1] for point in tiny.points(rules))


def test_table_c_2009_both_markings_give_the_same_hundred_decisions() -> None:
    low, high, some, every = ranges((0, 2)), ranges((3, 9)), ranges((1, 4)), full(10)
    spec = digits((some, high, "discard"), (some, low, "accept"), default="discard")
    three = digits((some, high, "discard"), (some, every, "accept"), (every, every, "discard"))
    two = digits((some, low, "accept"), (every, every, "discard"))
    assert compare(spec, three).same
    assert compare(three, two).same
    assert outcome_counts(two) == {"accept": 12, "discard": 88}
    found = survey(two, two.universe, limit=10).counts
    assert found == {(1, "accept"): 12, (2, "discard"): 88}
    assert covered(Engine(spec).redundant()) == {1}


def test_table_c_2008_discards_eight_of_a_hundred() -> None:
    x, y, every = ranges((2, 3), (6, 7)), ranges((3, 4)), full(10)
    rules = digits((x, y, "discard"), (every, every, "accept"))
    assert outcome_counts(rules) == {"discard": 8, "accept": 92}
    # the last rule's own part is everything outside the product, in either order of marking
    by_x = digits((x, y, "discard"), (x, every, "accept"), (every, every, "accept"))
    by_y = digits((x, y, "discard"), (every, y, "accept"), (every, every, "accept"))
    assert compare(rules, by_x).same
    assert compare(rules, by_y).same
    assert Engine(rules).effective(2).count == 92
    verdict = Engine(rules).redundant()[1]
    assert isinstance(verdict, Witness)
    assert (verdict.point, verdict.outcome, verdict.instead) == ((2, 3), "discard", "accept")
