"""The five transactions in which a table takes the place of another, on a model of a table."""

from __future__ import annotations

import re
from itertools import product
from random import Random

import pytest

from netcharter.render import render
from netcharter.rollout.exchanging import READY, stages
from netcharter.rollout.filtering import LATE, exchange
from netcharter.rollout.shapes import Element, HostState, Table
from tests.oracle.random_charters import random_charter
from tests.rollout.bench import planned
from tests.rollout.tables import HOOKS, TABLE, Loaded, Refused, drawn

PAIRS = 60
KITS = 12
QUOTED = re.compile(r'"[^"]*"')
HELD = (
    Element("nc_who4_a", "192.0.2.1", 90.0),
    Element("nc_who4_a", "192.0.2.2", 1.5),
    Element("nc_who4_a2", "192.0.2.3", 0.5),
)


def pair(number: int) -> tuple[str, str]:
    rng = Random(f"exchanging {number}")
    return drawn(rng, rng.random() < 0.5), drawn(rng, rng.random() < 0.5)


def table(text: str, living: tuple[Element, ...] = ()) -> Table:
    return Table("inet", "netcharter", text, living)


def texts_of(old: str, new: str) -> tuple[str, ...]:
    """The transactions from one table to the other, with what lives."""
    one = HostState(5.0, tables=(table(old, HELD),))
    other = HostState(0.0, tables=(table(new),))
    return exchange(one, other, 5.0).stages


def after(*texts: str) -> Loaded:
    found = Loaded()
    for text in texts:
        found.load(text)
    return found


def living(text: str) -> str:
    """Lines that add to a table what would be carried over to it."""
    return "".join(
        f"add element {TABLE} {each.set} {{ {each.text} timeout {int(each.seconds * 1000)}ms }}\n"
        for each in HELD
        if each.seconds >= 1 and f"set {each.set} " in text
    )


@pytest.mark.parametrize("number", range(PAIRS))
def test_after_each_it_is_the_old_one_or_the_new_one(number: int) -> None:
    old, new = pair(number)
    found = after(old, living(old))
    before = found.effective()
    fresh = after(new)
    texts = texts_of(old, new)
    assert len(texts) == 5
    for place, text in enumerate(texts):
        found.load(text)
        if place == 0:
            assert found.effective() == before
        else:
            wanted = after(new, _carried(old, new, place))
            assert found.effective() == wanted.effective(), place
    assert found.things.keys() == fresh.things.keys()
    assert {k: t.lines for k, t in found.things.items()} == {
        k: t.lines for k, t in fresh.things.items()
    }


def _carried(old: str, new: str, place: int) -> str:
    """What lives in a set of both, as long as there is time; less once the new filter has its own names."""
    kept = [e for e in HELD if f"set {e.set} " in old and f"set {e.set} " in new]
    late = LATE if place >= 3 else 0.0
    return "".join(
        f"add element {TABLE} {e.set} {{ {e.text} timeout {int((e.seconds - late) * 1000)}ms }}\n"
        for e in kept
        if e.seconds - late >= 1
    )


def test_nothing_lives_longer_than_it_had_left() -> None:
    old, new = next(p for p in map(pair, range(99)) if all("nc_who4_a " in text for text in p))
    found = after(old, living(old))
    for text in texts_of(old, new):
        found.load(text)
    assert found.things["set", "nc_who4_a"].living == {"192.0.2.1": int((90 - LATE) * 1000)}


@pytest.mark.parametrize("number", range(PAIRS))
def test_whichever_fail_it_is_the_old_one_or_the_new_one(number: int) -> None:
    """An undo tries all that can be tried: what stands on one that failed fails with it."""
    old, new = pair(number)
    texts = texts_of(old, new)
    ends = [after(old, living(old)).effective()]
    ends += [after(new, _carried(old, new, place)).effective() for place in (1, 3)]
    for done in product((False, True), repeat=len(texts)):
        found = after(old, living(old))
        for text, does in zip(texts, done, strict=True):
            try:
                found.load(text if does else f"delete chain {TABLE} nothing\n")
            except Refused:
                continue
        assert found.effective() in ends, done


@pytest.mark.parametrize("number", range(PAIRS))
def test_no_set_that_is_new_is_asked_and_nothing_asked_goes(number: int) -> None:
    """The two transactions that count for packets bring no set but those without ranges that base
    chains hold themselves; and no rule goes before another leads past it."""
    _, turned, _, led, _ = texts_of(*pair(number))
    insert = rf"insert rule {TABLE} nc_\w+ (goto nx_\w+|accept)"
    come = r"table inet netcharter {|\s+(chain nc_\w+ {|type .*policy accept;|goto nx_\w+|})|}"
    for line in turned.splitlines():
        assert re.fullmatch(f"{insert}|{come}", line), line
    assert not re.search(r"^\s*((set|map|counter) \S+ {|elements|type)", led, re.MULTILINE)
    made = re.findall(r"^\s*chain (\S+)", led, re.MULTILINE)
    assert set(made) <= set(HOOKS)


@pytest.mark.parametrize("number", range(KITS))
def test_every_name_of_a_kit_is_known(number: int, seed: int) -> None:
    """Kits as they are written; nothing of ours is left under its own name meanwhile."""
    plan = planned(random_charter(Random(f"{seed} exchanging {number}")))
    kit = render(plan).files["nftables.nft"].decode("ascii")
    kit = kit[kit.index(f"table {TABLE} {{") :]
    first, turned, third, led, last = stages(TABLE, kit, kit, (), ())
    assert "nc_" not in QUOTED.sub("", first)
    assert sorted(QUOTED.findall(first)) == sorted(QUOTED.findall(kit)[1:])  # not of the site
    assert READY in third and READY in led and turned and last


CHAIN = "chain nc_a {\n\t\taccept\n\t}"
SIMPLE = f"table {TABLE} {{\n\t{CHAIN}\n\tchain nc_input {{\n\t\t{HOOKS['nc_input']}\n\t\tRULE\n\t}}\n}}\n"


@pytest.mark.parametrize(
    "text",
    [
        SIMPLE.replace("RULE", "goto nc_b"),
        SIMPLE.replace("RULE", "ip saddr nc_a accept"),
        SIMPLE.replace("RULE", "ip saddr @nc_b accept"),
        SIMPLE.replace("RULE", "ip saddr . tcp dport { 10.0.0.0/24 . 1-9 } accept"),
        SIMPLE.replace("RULE", "ip saddr . tcp dport vmap { 10.0.0.1 . 1 : goto nc_a } accept"),
        SIMPLE.replace("RULE", 'quota name "nc_q"'),
        SIMPLE.replace("RULE", "flags offload"),
        SIMPLE.replace("RULE", 'comment "of a chain"'),
        SIMPLE.replace("RULE", "goto nc_a").replace(CHAIN, "chain other {\n\t\taccept\n\t}"),
        SIMPLE.replace("RULE", "goto nc_a").replace(CHAIN, "chain nx_a {\n\t\taccept\n\t}"),
        SIMPLE.replace("RULE", "").replace(CHAIN, "quota nc_q {\n\t\t1 bytes\n\t}"),
        SIMPLE.replace("RULE", "").replace(CHAIN, "ct helper nc_h {\n\t\t1\n\t}"),
        SIMPLE.replace("RULE", "").replace(CHAIN, "map nc_m {\n\t\ttype ipv4_addr : counter\n\t}"),
        SIMPLE.replace("RULE", "").replace(CHAIN, "flags dormant"),
        SIMPLE.replace("RULE", "").replace(CHAIN, "chain nc_ready {\n\t}"),
        SIMPLE.replace("RULE", "").replace("policy accept", "policy drop"),
        SIMPLE.replace("nc_input", "nc_in").replace("policy accept", "policy drop"),
        SIMPLE.replace("RULE", "").replace("hook input", "hook forward"),
    ],
)
def test_what_is_not_known_is_exchanged_in_one(text: str) -> None:
    plain = SIMPLE.replace("RULE", "goto nc_a")
    assert len(stages(TABLE, plain, plain, (), ())) == 5
    assert stages(TABLE, plain, text, (), ()) == ()
    one, other = (HostState(0.0, tables=(table(each),)) for each in (plain, text))
    found = exchange(one, other, 0.0)
    assert found.stages == (found.alone,) and text.rstrip() in found.alone


def test_what_was_left_in_between_goes_in_one_transaction() -> None:
    old, new = pair(0)
    texts = texts_of(old, new)
    for count in range(1, 5):
        found = after(old, *texts[:count])
        (alone,) = texts_of(_listed(found), new)
        found.load(alone)
        assert found.effective() == after(new, _carried(old, new, 1)).effective()
        assert not [name for _, name in found.things if name.startswith("nx_")]


def _listed(found: Loaded) -> str:
    lines = [f"table {TABLE} {{"]
    for (kind, name), thing in found.things.items():
        said = [thing.hook] * bool(thing.hook) + thing.lines
        lines += [f"\t{kind} {name} {{", *(f"\t\t{line}" for line in said), "\t}"]
    return "\n".join([*lines, "}", ""])


def test_other_tables_go_when_the_new_filter_begins_to_count() -> None:
    old, new = pair(1)
    other = Table("ip", "other", "table ip other {\n\tchain c {\n\t\taccept\n\t}\n}\n")
    ours = table(old)
    aside = exchange(
        HostState(0.0, tables=(ours, other)),
        HostState(0.0, tables=(table(new),)),
        0.0,
    )
    assert ["delete table ip other" in text for text in aside.stages] == [0, 1, 0, 0, 0]
    assert "delete table ip other" in aside.alone
