"""Names and marks: unique, stable, bounded, and readable again."""

from __future__ import annotations

import hashlib
import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.plan import labels
from netcharter.plan.labels import Mark, pack, unpack
from netcharter.plan.shapes import When
from tests.render.plans import small_plan

# nft(8), lexer: a name begins with a letter and goes on with letters, digits and / \ _ .
NFT_NAME = re.compile(r"[A-Za-z][A-Za-z0-9/\\_.-]*\Z")


@given(st.text(max_size=400))
def test_any_label_becomes_a_name_that_nftables_accepts(label: str) -> None:
    found = labels.row_name(label)
    assert NFT_NAME.match(found)
    assert found.startswith("nc_row_")
    assert len(found) <= 80
    assert labels.row_name(label) == found


@given(st.lists(st.text(max_size=60), unique=True, max_size=40))
def test_different_labels_have_different_names(found: list[str]) -> None:
    assert len({labels.slug(label) for label in found}) == len(found)


@given(
    st.text(alphabet="aB1 -_.\u00e9", max_size=12), st.text(alphabet="aB1 -_.\u00e9", max_size=12)
)
def test_labels_that_look_alike_have_different_names(one: str, other: str) -> None:
    assert (labels.slug(one) == labels.slug(other)) == (one == other)


def test_a_label_cannot_pretend_to_be_the_name_of_another() -> None:
    foreign = "rule_3"
    pretending = labels.slug(foreign).replace("_", " ")
    assert labels.slug(pretending) != labels.slug(foreign)


def test_plain_words_stay_readable() -> None:
    assert labels.row_name("rule 3") == "nc_row_rule_3"
    assert labels.row_name("same-area") == "nc_row_same-area"
    digest = hashlib.sha256("B\u00fcro".encode()).hexdigest()[:10]
    assert labels.slug("B\u00fcro") == f"buro_{digest}"


def test_no_two_kinds_of_name_meet() -> None:
    made = [labels.row_name("office"), labels.delivery_chain("office")]
    made += [labels.entrance_chain(hook, "office") for hook in ("in", "fwd", "out", "nat")]
    made += [labels.part_chain(part, f, "office") for part in labels.PARTS for f in (4, 6)]
    made += [labels.enter_chain("office"), labels.exit_chain("office")]
    made += [labels.nat_chain("office", "office"), labels.line_set("office")]
    made += [labels.who_set(frozenset({"office"}), f) for f in (4, 6)]
    made += [labels.when_set(When("office"), let) for let in (True, False)]
    made += [labels.signed_set(4), labels.signed_set(6), labels.class_map(4), labels.class_map(6)]
    assert len(made) == len(set(made))


def test_an_unknown_part_is_refused() -> None:
    with pytest.raises(ValueError, match="no such part"):
        labels.part_chain("sideways", 4, "office")


@given(
    st.sets(st.sampled_from(["", "*guest", "rowan", "skye", "guest", "r\nowan"]), min_size=1),
    st.sets(st.sampled_from(["", "*guest", "rowan", "skye", "guest", "r\nowan"]), min_size=1),
)
def test_sets_of_people_are_called_differently(one: set[str], other: set[str]) -> None:
    alike = frozenset(one) - {""} == frozenset(other) - {""}
    assert (labels.who_key(frozenset(one)) == labels.who_key(frozenset(other))) == alike


def test_conditions_in_time_tell_what_they_are() -> None:
    until = date(2027, 3, 31)
    assert labels.when_set(When("lights-out"), True) == "nc_open_lights-out"
    assert labels.when_set(When("lights-out"), False) == "nc_rest_lights-out"
    assert labels.when_set(When(None, until), True) == "nc_open_2027-03-31"
    assert labels.when_set(When("evening", until), True) == "nc_open_evening.2027-03-31"


@given(st.integers(0, 15), st.integers(0, 255), st.integers(0, 65535))
def test_a_mark_is_read_as_it_was_written(line: int, identity: int, row: int) -> None:
    mark = Mark(line, identity, row)
    assert unpack(pack(mark)) == mark
    assert unpack(pack(mark) | 0xF0000000) == mark
    assert pack(mark) < 1 << 28


def test_the_layout_of_the_mark_is_the_documented_one() -> None:
    assert pack(Mark(line=1)) == 0x0000_0001
    assert pack(Mark(identity=1)) == 0x0000_0010
    assert pack(Mark(row=1)) == 0x0000_1000
    assert pack(Mark(line=15, identity=255, row=65535)) == 0x0FFF_FFFF
    assert Mark(row=labels.row_number(7)).row_index == 7
    assert Mark().row_index is None


@pytest.mark.parametrize("mark", [Mark(line=16), Mark(identity=256), Mark(row=65536), Mark(-1)])
def test_what_does_not_fit_is_refused(mark: Mark) -> None:
    with pytest.raises(ValueError, match="does not fit"):
        pack(mark)


def test_more_decisions_than_a_mark_can_tell_are_refused() -> None:
    assert labels.row_number(65533) == 65534
    with pytest.raises(ValueError, match="no room"):
        labels.row_number(65535)


def test_identity_classes_tell_people_apart_until_there_are_too_many() -> None:
    people = [f"person {n}" for n in range(300)]
    assert labels.identity_class("", people) == 0
    assert labels.identity_class("*guest", people) == 1
    found = [labels.identity_class(person, people) for person in people]
    assert found[:253] == list(range(2, 255))
    assert set(found[253:]) == {255}
    with pytest.raises(ValueError, match="somebody else"):
        labels.identity_class("somebody else", people)


def test_the_sets_a_plan_needs_are_found_in_order() -> None:
    plan = small_plan()
    assert labels.people_asked_for(plan.rows) == (frozenset({"rowan"}),)
    assert labels.times_asked_for(plan.rows) == (
        (When("night"), False),
        (When(None, date(2027, 3, 31)), True),
    )
