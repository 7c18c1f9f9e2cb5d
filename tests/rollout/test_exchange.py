"""How one table of nftables takes the place of another."""

from __future__ import annotations

import pytest

from netcharter.rollout.filtering import exchange
from netcharter.rollout.listing import plain
from netcharter.rollout.shapes import HostState, Table

HEAD = "\tchain input {\n\t\ttype filter hook input priority filter; policy drop;\n"
OLD = (
    "table inet netcharter {\n\tcounter seen {\n\t}\n\tset s {\n\t\ttype ipv4_addr\n\t}\n"
    "\tmap m {\n\t\ttype ipv4_addr : verdict\n\t}\n\tchain more {\n\t\taccept\n\t}\n"
    f"{HEAD}\t\tip saddr vmap @m\n\t}}\n}}\n"
)
NEW = (
    f"table inet netcharter {{\n\tchain other {{\n\t\tdrop\n\t}}\n{HEAD}\t\tgoto other\n\t}}\n}}\n"
)


def text_of(old: str | None, new: str | None) -> str:
    """What is loaded on the way from one to another."""
    return exchange(state(old), state(new), 0.0).alone


def state(table: str | None) -> HostState:
    return HostState(0.0, tables=() if table is None else (Table("inet", "netcharter", table),))


def test_base_chains_stay_and_all_else_goes_what_leads_on_first() -> None:
    assert text_of(OLD, NEW).splitlines()[:5] == [
        "flush table inet netcharter",
        "delete map inet netcharter m",
        "delete set inet netcharter s",
        "delete chain inet netcharter more",
        "delete counter inet netcharter seen",
    ]


@pytest.mark.parametrize(
    "old",
    [
        OLD.replace("priority filter", "priority -1"),
        OLD.replace("hook input", "hook forward"),
        OLD.replace("chain input", "chain entry"),
        OLD.replace("counter seen", "quota seen"),
        OLD.replace("chain more", "chain a;b"),
    ],
)
def test_where_they_are_others_the_table_goes_as_a_whole(old: str) -> None:
    assert "delete table inet netcharter\n" in text_of(old, NEW)
    assert "flush" not in text_of(old, NEW)


def test_a_first_table_and_a_last_one_come_and_go_as_a_whole() -> None:
    assert text_of(None, NEW).endswith(NEW)
    assert text_of(OLD, None) == "delete table inet netcharter\n"
    assert text_of(OLD, OLD) == ""


def test_the_order_in_which_a_listing_tells_is_no_difference() -> None:
    first, second = "\tchain a {\n\t\taccept\n\t}\n", "\tchain b {\n\t\tdrop\n\t}\n"
    one, other = (f"table inet t {{\n{a}\n{b}}}\n" for a, b in ((first, second), (second, first)))
    assert plain(one) == plain(other) != plain(one.replace("drop", "accept"))
