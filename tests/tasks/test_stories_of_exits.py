"""Stories of connections whose line the charter chooses (`exits`)."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from netcharter.tasks.compare import compare_charters
from netcharter.tasks.questions import Explained, explain
from netcharter.tasks.sources import Source

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
HUT = b"""charter: 1
site: {name: Hut, timezone: Europe/London}
lines:
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth1, address: 198.51.100.10/29, next-hop: 198.51.100.9}
areas:
  home: {device: eth2, hosts: 12}
  phones: {device: eth3, hosts: 4}
places:
  exchange: {prefixes: 192.0.2.0/24}
rules:
  - {let: [home, phones], reach: internet, with: [https, sip], because: work}
exits:
  - {from: phones, with: sip, by: mast, because: calls}
  - {from: home, reach: exchange, by: mast, or-else: refused, because: its contract}
"""


def story(starter: str, target: str, service: str, down: tuple[str, ...] = ()) -> Explained:
    return explain(Source("hut.yaml", HUT), starter, target, service, NOW, down=list(down))


@pytest.mark.parametrize(
    ("asked", "down", "said", "line"),
    [
        (("phones", "internet", "sip"), (), "it leaves by mast as exit 1 says", 14),
        (("phones", "internet", "https"), (), "it leaves by dsl, which is up", None),
        (("phones", "internet", "sip"), ("mast",), "it leaves by dsl, which is up", 14),
        (("home", "exchange", "https"), (), "it leaves by mast as exit 2 says", 15),
    ],
)
def test_the_line_is_the_one_that_the_exit_says_while_it_is_up(
    asked: tuple[str, str, str], down: tuple[str, ...], said: str, line: int | None
) -> None:
    told = story(*asked, down=down)
    step = next(one for one in told.stories[0].steps if said in one.text)
    assert (step.span.line if step.span else None) == line


def test_what_may_leave_by_no_other_line_is_refused_and_the_exit_is_named() -> None:
    told = story("home", "exchange", "https", down=("mast",))
    assert told.as_json()["decided_by"] == "housekeeping 'no-exit'"
    last = told.stories[0].steps[-1]
    assert last.text == "exit 2 allows mast and no other line"
    assert last.span is not None and last.span.line == 15


def test_a_comparison_says_which_exits_and_which_first_addresses_are_others() -> None:
    other = HUT.replace(b"with: sip, by: mast", b"with: sip, by: [dsl, mast]").replace(
        b"203.0.113.10/29,", b"[203.0.113.11/29, 203.0.113.10/29],"
    )
    found = compare_charters(Source("hut.yaml", HUT), Source("other.yaml", other), NOW).as_json()
    moved = {one["what"]: (one["before"], one["after"]) for one in found["moved"]}
    assert moved["dsl: IPv4 addresses"] == ("203.0.113.10/29", "203.0.113.11/29, 203.0.113.10/29")
    before, after = moved["exit 1"]
    assert before.endswith("with sip, by mast, or-else others")
    assert after.endswith("with sip, by dsl, mast, or-else others")
    assert not found["same"] or found["moved"]
