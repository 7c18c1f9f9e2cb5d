"""Stories that are told apart: by family, by line, by what ends them; and those that cannot be."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from netcharter.tasks.questions import Explained, explain
from netcharter.tasks.sources import Source, Unusable

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)  # a Monday

HUT = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:7aff::2/64"],
        next-hop: [203.0.113.9, "2001:db8:7aff::1"], prefix: "2001:db8:7a00::/48"}
  mast: {device: eth1, address: 198.51.100.10/29, next-hop: 198.51.100.9, role: standby}
areas:
  home: {device: eth2, hosts: 12}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
hours:
  day: {weekly: {daily: "08:00-16:00"}}
rules:
  - {let: home, reach: internet, with: [http, https], during: day, because: work}
  - {let: home, reach: internet, with: https, until: 2026-12-24, because: until the holidays}
  - {let: mast, reach: gateway, with: tcp/8080, because: the radio's own page}
offers:
  - {offer: https, on: dsl, to: desk, because: the shop}
"""


def story(starter: str, target: str, service: str, **more: Any) -> Explained:
    return explain(Source("hut.yaml", HUT.encode()), starter, target, service, NOW, **more)


def steps(told: Explained, number: int = 0) -> str:
    return "\n".join(step.text for step in told.stories[number].steps)


@pytest.mark.parametrize(
    ("starter", "target", "service"),
    [
        ("gateway", "203.0.113.9", "icmp/8"),
        ("gateway", "2001:db8:7aff::1", "icmpv6/135"),  # a neighbour, looked for on a dead line
    ],
)
def test_with_every_line_down_a_story_has_no_way_out(
    starter: str, target: str, service: str
) -> None:
    told = story(starter, target, service, down=["dsl", "mast"])
    outcome = told.as_json()["outcome"]
    if outcome == "let":
        assert "no line that is up leads there" in steps(told)
    else:
        assert told.as_json()["decided_by"] == "housekeeping 'no-line'"


def test_asking_for_an_address_without_a_line_up_goes_nowhere() -> None:
    automatic = HUT.replace(
        "address: 198.51.100.10/29, next-hop: 198.51.100.9", "address: automatic"
    )
    told = explain(Source("hut.yaml", automatic.encode()), "gateway", "203.0.113.9", "udp/67", NOW,
                   down=["dsl", "mast"])  # fmt: skip
    assert told.as_json()["decided_by"] == "housekeeping 'dhcp'"
    assert "no line that is up leads there" in steps(told)


def test_what_stays_on_a_link_is_not_said_to_be_routed() -> None:
    told = story("gateway", "ff02::1", "icmpv6/135")
    assert "it stays on its own link and is never forwarded" in steps(told)
    assert "routed" not in steps(told)


@pytest.mark.parametrize(
    ("asked", "more", "message"),
    [
        (("dsl", "gateway", "ssh"), {"down": ["dsl"]}, "dsl is down, so nothing can come from"),
        (("internet", "gateway", "ssh"), {"down": ["dsl", "mast"]}, "dsl, mast are down"),
        (("203.0.113.12", "gateway", "ssh"), {"down": ["dsl"]}, "dsl is down"),
        (("home", "gateway", "anything"), {}, "'anything' is not one service"),
        (("home", "203.0.113.9", "icmpv6/128"), {}, "IPv6 only, and 203.0.113.9 has only IPv4"),
        (("home", "2001:db8:7aff::1", "icmp/8"), {}, "IPv4 only, and 2001:db8:7aff::1 has only"),
        (("203.0.113.12", "gateway", "icmpv6/128"), {}, "203.0.113.12 has no such address"),
        (("anyone", "gateway", "ssh"), {}, "'anyone' is not one connection"),
    ],
)
def test_what_cannot_be_is_said_with_its_reason(
    asked: tuple[str, str, str], more: dict[str, Any], message: str
) -> None:
    with pytest.raises(Unusable) as wrong:
        story(*asked, **more)
    (told,) = wrong.value.diagnostics
    assert message in told.message
    assert told.help


@pytest.mark.parametrize(
    ("source", "line"), [("203.0.113.12", "dsl"), ("198.51.100.12", "mast"),
                         ("2001:db8:7aff::9", "dsl")]
)  # fmt: skip
def test_a_neighbour_on_a_line_enters_by_that_line(source: str, line: str) -> None:
    told = story(source, "gateway", "tcp/8080")
    assert [s["entrance"] for s in told.as_json()["stories"]] == [line]
    assert told.as_json()["outcome"] == ("let" if line == "mast" else "refused")


def test_where_the_lines_differ_each_has_its_story() -> None:
    told = story("internet", "203.0.113.10", "https")
    by = {s["entrance"]: s["outcome"] for s in told.as_json()["stories"]}
    assert by == {"dsl": "let", "mast": "refused"}
    assert "internet (by dsl," in told.stories[0].headline
    assert "internet (by mast," in told.stories[1].headline


def test_where_the_lines_fare_alike_the_story_says_so() -> None:
    (told,) = story("internet", "203.0.113.10", "ssh").stories
    assert told.entrance == "dsl"
    assert [step.text for step in told.steps][:2] == [
        "it enters by dsl, from an address that belongs there",
        "by mast it would fare alike",
    ]


def test_of_several_stories_each_says_its_family() -> None:
    told = story("home", "example.org", "https", at="Tue 12:00", down=["dsl"])
    four, six = told.stories
    assert (four.families, six.families) == ((4,), (6,))
    assert four.headline.startswith("Over IPv4, home (")
    assert six.headline.startswith("Over IPv6, home (")
    (both,) = story("home", "example.org", "https", at="Tue 12:00").stories
    assert both.families == (4, 6)
    assert both.headline.startswith("home (")


def test_it_is_cut_only_when_nothing_else_lets_it() -> None:
    goes_on = steps(story("home", "example.org", "https", at="2026-11-03 12:00"))
    assert "when day ends it goes on: let by rule 2" in goes_on
    assert "is cut" not in goes_on
    last_day = steps(story("home", "example.org", "https", at="2026-12-25 12:00"))
    assert "it is cut when day ends" in last_day
    plain = steps(story("home", "example.org", "http", at="2026-11-03 12:00"))
    assert "it is cut when day ends" in plain and "2026-12-24" not in plain
    night = steps(story("home", "example.org", "https", at="2026-11-03 20:00"))
    assert "it is cut when 2026-12-24 ends" in night and "day ends" not in night
