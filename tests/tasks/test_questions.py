"""`ask` and `why` on the demo site: questions in words, and the story of one connection."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.fate import fate
from netcharter.proofs import why as why_room
from netcharter.proofs.ask import Inquiry, NotUnderstood, parse_question
from netcharter.proofs.promises import ground_of
from netcharter.report.limits import WHERE
from netcharter.tasks.questions import Explained, ask_charter, explain, explain_name
from netcharter.tasks.sources import Source, Unusable

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)  # a Monday
PATH = Path(__file__).parents[2] / "examples" / "tarn-hollow" / "charter.yaml"
TEXT = PATH.read_bytes()
DEMO = Source("charter.yaml", TEXT)


def line_of(part: str) -> int:
    """The line of the charter on which something stands."""
    lines = TEXT.decode().splitlines()
    (found,) = [n for n, line in enumerate(lines, 1) if part in line]
    return found


# --- questions in words --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("who can reach booking", Inquiry((), ("booking",))),
        ("Who can reach booking?", Inquiry((), ("booking",))),
        ("who may reach the booking with ssh", Inquiry((), ("booking",), ("ssh",))),
        ("what can bunkrooms reach", Inquiry(("bunkrooms",), ())),
        ("what can bunkrooms and office reach?", Inquiry(("bunkrooms", "office"), ())),
        ("can office reach tills with https", Inquiry(("office",), ("tills",), ("https",))),
        ("can office reach tills, barn with https and ssh",
         Inquiry(("office",), ("tills", "barn"), ("https", "ssh"))),
        ("can rowan reach internet with tcp/8443", Inquiry(("rowan",), ("internet",),
                                                           ("tcp/8443",))),
        ("does internet reach gateway", Inquiry(("internet",), ("gateway",))),
        ("what can anyone reach with anything", Inquiry(("anyone",), (), ("anything",))),
        ("what does visit-leaders reach in payments", None),
        ("can copper reach booking", Inquiry(("copper",), ("booking",))),
        ("who can reach anywhere", Inquiry((), ("anywhere",))),
    ],
)  # fmt: skip
def test_a_question_in_words_is_understood(text: str, expected: Inquiry | None) -> None:
    reading = read(TEXT, "charter.yaml")
    assert reading.charter is not None
    ground = ground_of(make_plan(reading.charter))
    if expected is None:
        with pytest.raises(NotUnderstood):
            parse_question(text, ground)
    else:
        assert parse_question(text, ground) == expected


@pytest.mark.parametrize(
    ("question", "message", "instead"),
    [
        ("open sesame", "is no question I know", "who can reach booking"),
        ("who can reach", "names nobody and nothing", "who can reach booking"),
        ("reach", "names nobody and nothing", "what can bunkrooms reach"),
        ("who can reach bookin", "'bookin' cannot be what is reached", "did you mean 'booking'?"),
        ("who can reach camera-yard", "'camera-yard' cannot be what is reached", "no lasting addr"),
        ("what can zzzz reach", "'zzzz' cannot be who starts", "known are "),
        ("what can telefony reach", "'telefony' cannot be who starts", "did you mean 'telephony'?"),
        ("can office reach tills with htps", "'htps' is no service", "did you mean 'http"),
        ("can office reach tills with tcp/99999", "'tcp/99999' is no service", "'tcp/443'"),
        ("can office reach copper", "'copper' cannot be what is reached", ""),
        ("who can reach \x1b[2J", "cannot be what is reached", "known are"),
        ("", "nothing is asked", "who can reach booking"),
        ("can office reach tills with", "names no service", "https"),
        ("can office reach tills with any", "names no service", "https"),
    ],
)
def test_what_is_not_understood_is_told_with_what_to_write(
    question: str, message: str, instead: str
) -> None:
    with pytest.raises(Unusable) as wrong:
        ask_charter(DEMO, question, NOW)
    (told,) = wrong.value.diagnostics
    assert told.id == "question-not-understood"
    assert message in told.message and instead in (told.help or "")
    assert wrong.value.texts == {told.span.file: question}
    assert wrong.value.as_json()["ok"] is False


def test_a_moment_that_is_none_is_told_with_what_to_write() -> None:
    with pytest.raises(Unusable) as wrong:
        ask_charter(DEMO, "who can reach booking", NOW, at="Blursday 21:30")
    (told,) = wrong.value.diagnostics
    assert told.id == "moment-not-understood"
    assert told.help == "write 'Tue 21:30' or '2026-12-01 21:30'"


@pytest.mark.parametrize(
    ("question", "terms", "option"),
    [
        ("who can reach booking", {"reach": ["tills"]}, "--to"),
        ("who can reach booking", {"reach": ["booking", "tills"]}, "--to"),
        ("what can office reach", {"who": ["bunkrooms"]}, "--from"),
        ("who can reach booking with ssh", {"services": ["https"]}, "--with"),
    ],
)
def test_a_question_and_terms_that_contradict_each_other_are_told(
    question: str, terms: dict[str, list[str]], option: str
) -> None:
    with pytest.raises(Unusable) as wrong:
        ask_charter(DEMO, question, NOW, **terms)  # type: ignore[arg-type]
    (told,) = wrong.value.diagnostics
    assert told.id == "question-not-understood"
    assert f"`{option}` says" in told.message and option in (told.help or "")


def test_terms_may_say_a_part_of_what_the_question_says() -> None:
    part = ask_charter(DEMO, "can office, barn reach anywhere", NOW, who=["barn"], reach=["office"])
    assert part.as_json() == ask_charter(DEMO, "can barn reach office", NOW).as_json()
    same = ask_charter(DEMO, "who can reach booking with anything", NOW, services=["ssh"])
    assert same.as_json() == ask_charter(DEMO, "who can reach booking with ssh", NOW).as_json()


def test_terms_complete_and_narrow_a_question() -> None:
    wide = ask_charter(DEMO, "who can reach booking", NOW)
    narrow = ask_charter(DEMO, "who can reach booking", NOW, who=["office"], services=["ssh"])
    apart = ask_charter(DEMO, None, NOW, who=["office"], reach=["booking"], services=["ssh"])
    assert narrow.as_json() == apart.as_json()
    (row,) = [r for r in narrow.answer.rows if not r.housekeeping]
    assert (row.starter, row.to, row.service) == ("office", "booking", "ssh")
    assert (row.decided_by, row.when) == ("rule 15", "until 31 March 2027")
    assert row.span is not None and row.span.line == line_of("reach: booking") - 1
    assert len(wide.answer.rows) > len(narrow.answer.rows)


def test_an_answer_names_what_an_offer_delivers_to() -> None:
    rows = ask_charter(DEMO, "who can reach booking", NOW).answer.rows
    (offer,) = [r for r in rows if r.decided_by == "offer 1"]
    assert offer.to == "the gateway on copper (203.0.113.10), delivered to booking"
    assert offer.service == "https" and offer.outcome == "let"
    assert offer.span is not None and offer.span.line == line_of("  - offer: https")


@pytest.mark.parametrize(
    ("at", "deciders"),
    [
        ("Tue 16:59", {"rule 4"}),
        ("Tue 17:00", {"rule 4", "rule 6"}),
        ("Tue 21:59", {"rule 4", "rule 6"}),
        ("Tue 22:00", set()),
        ("2026-12-31 23:00", {"rule 4"}),  # closed: the new year is seen in together
        ("2027-01-01 06:59", {"rule 4"}),
        ("2027-01-01 23:00", set()),
    ],
)
def test_an_answer_at_a_moment_is_of_that_moment(at: str, deciders: set[str]) -> None:
    answer = ask_charter(DEMO, None, NOW, who=["bunkrooms"], reach=["internet"], at=at)
    told = {r.decided_by for r in answer.answer.rows if not r.housekeeping}
    people = {"rule 7", "rule 8", "rule 9"}  # staff and visit leaders, who may be signed in there
    assert told - people == deciders
    assert bool(told & people) == bool(deciders)
    assert answer.as_json()["at"] is not None


def test_nobody_is_an_answer() -> None:
    answer = ask_charter(DEMO, "can cameras reach internet", NOW)
    assert not answer.answer.rows and answer.answer.complete
    assert list(answer.lines()) == ["Nobody, by nothing that the charter lets.", WHERE]


# --- stories -------------------------------------------------------------------------------------


def story(starter: str, target: str, service: str, **more: Any) -> Explained:
    return explain(DEMO, starter, target, service, NOW, **more)


def texts(told: Explained) -> list[list[str]]:
    return [[step.text for step in one.steps] for one in told.stories]


STORIES: tuple[tuple[str, tuple[str, str, str], dict[str, Any], str, str, tuple[str, ...]], ...] = (
    ("let by a rule", ("duty-laptop", "example.org", "https"), {"at": "Tue 21:30"},
     "let", "rule 4",
     ("not looked up here but taken as any internet address",
      "it enters by office, from an address that belongs there",
      "rule 4 is the first that fits, and lets it: slides, e-mail and the web",
      "it leaves by copper, which is up, with 203.0.113.10 as its source")),
    ("a minute before the hours", ("bunkrooms", "example.org", "udp/443"), {"at": "Tue 16:59"},
     "refused", "the default", ("rule 6 would let it, but not at this moment (evening)",)),
    ("the first minute of the hours", ("bunkrooms", "example.org", "udp/443"),
     {"at": "Tue 17:00"}, "let", "rule 6", ("it is cut when evening ends",)),
    ("the last minute of the hours", ("bunkrooms", "example.org", "udp/443"),
     {"at": "Tue 21:59"}, "let", "rule 6",
     ("rule 3 would refuse it, but not at this moment (lights-out)",)),
    ("the minute after", ("bunkrooms", "example.org", "udp/443"), {"at": "Tue 22:00"},
     "refused", "rule 3", ("rule 3 is the first that fits, and refuses it: sleep",)),
    ("not signed in", ("bunkrooms", "example.org", "https"), {"who": "nobody"},
     "refused", "the sign-in", ("here one signs in first",)),
    ("signed in as a guest", ("bunkrooms", "example.org", "https"), {"who": "guest"},
     "let", "rule 4", ("the sign-in is done", "before anyone has signed in there it is refused")),
    ("a person", ("rowan", "fell-watch", "gauges"), {},
     "let", "rule 8", ("river level and wind",)),
    ("a group", ("visit-leaders", "example.org", "imaps"), {"at": "Tue 12:00"}, "let", "rule 7",
     ("rule 4 is about these two, but not about this service",)),
    ("an offer from its own area", ("booking", "203.0.113.10", "https"), {}, "let", "offer 1",
     ("delivered to booking (", "the gateway puts its own address as the source")),
    ("an offer from another area", ("office", "203.0.113.10", "https"), {}, "let", "offer 1",
     ("the destination is translated: it is delivered to booking (",)),
    ("an offer from the internet", ("internet", "203.0.113.10", "https"), {}, "let", "offer 1",
     ("it enters by copper", "delivered to booking")),
    ("a barred device", ("spare-laptop", "example.org", "https"), {},
     "refused", "housekeeping 'barred'", ("the charter bars these devices",)),
    ("one till to the other", ("till-1", "till-2", "https"), {},
     "refused", "housekeeping 'same-area'", ("hosts of one area talk directly",)),
    ("the standby line carries it", ("phone-hall", "telephony", "sip"), {"down": ["copper"]},
     "let", "rule 1", ("it leaves by mast, which is up, with the address it has then",)),
    ("no line is up", ("phone-hall", "telephony", "sip"), {"down": ["copper", "mast"]},
     "refused", "housekeeping 'no-line'", ("no line that is up leads there",)),
    ("names of the gateway", ("office", "gateway", "dns"), {}, "let", "housekeeping 'names'",
     ("the gateway answers it itself",)),
    ("the way in", ("duty-laptop", "gateway", "ssh"), {}, "let", "housekeeping 'management'",
     ("the way in for the administrator",)),
    ("not the way in", ("recorder", "gateway", "ssh"), {}, "refused", "the default",
     ("no rule fits, and what no rule lets is refused",)),
    ("the gateway itself", ("gateway", "example.org", "dns"), {},
     "let", "housekeeping 'gateway-own'", ("the gateway itself starts it",)),
    ("by number", ("10.73.0.30", "198.51.100.70", "https"), {}, "let", "rule 4", ()),
    ("within one area", ("office", "office", "ssh"), {}, "refused", "housekeeping 'same-area'", ()),
    ("nowhere", ("office", "0.0.0.0", "http"), {}, "refused", "housekeeping 'unroutable'", ()),
    ("a line's neighbour", ("copper", "gateway", "ssh"), {}, "refused", "the default", ()),
)  # fmt: skip


@pytest.mark.parametrize(
    ("connection", "more", "outcome", "decider", "parts"),
    [row[1:] for row in STORIES],
    ids=[row[0] for row in STORIES],
)
def test_a_story_tells_what_decides_and_why(
    connection: tuple[str, str, str],
    more: dict[str, Any],
    outcome: str,
    decider: str,
    parts: tuple[str, ...],
) -> None:
    told = story(*connection, **more)
    said = told.as_json()
    assert (said["outcome"], said["decided_by"]) == (outcome, decider)
    assert connection[0] in said["headline"] and connection[1] in said["headline"]
    everything = "\n".join(texts(told)[0])
    for part in parts:
        assert part in everything
    assert said["ok"] is True and said["stories"][0]["steps"] == said["steps"]


def test_a_person_who_is_said_to_be_signed_in_is_told() -> None:
    headline = story("bunkrooms", "example.org", "https", who="rowan").stories[0].headline
    assert headline.startswith("bunkrooms (10.73.") and "rowan, signed in)" in headline


def test_where_the_families_differ_there_is_a_story_for_each() -> None:
    told = story("internet", "booking", "https")
    four, six = told.as_json()["stories"]
    assert (four["outcome"], four["manner"]) == ("refused", "silent")
    assert (six["outcome"], six["decided_by"]) == ("let", "offer 1 (IPv6)")
    assert len(list(told.lines(100))) > len(four["steps"]) + len(six["steps"])


def test_with_one_line_down_the_families_differ() -> None:
    four, six = story("office", "example.org", "https", down=["copper"]).as_json()["stories"]
    assert (four["outcome"], six["outcome"]) == ("let", "refused")
    assert six["decided_by"] == "housekeeping 'no-line'"


def test_a_name_may_lie_where_it_fares_otherwise() -> None:
    (steps,) = texts(story("tills", "example.org", "https"))
    assert "if the address lies in payments, it is let by rule 2" in steps


def test_every_step_that_speaks_of_the_charter_says_where() -> None:
    (told,) = story("bunkrooms", "example.org", "udp/443", at="Tue 17:00").stories
    for step in told.steps:
        if step.text.startswith("rule "):
            assert step.span is not None and step.span.file == "charter.yaml"
    places = {step.text.split()[1]: step.span.line for step in told.steps
              if step.text.startswith("rule ") and step.span}  # fmt: skip
    assert places["3"] == line_of("- refuse: bunkrooms")
    assert places["4"] == line_of("- let: [office, bunkrooms]")


@pytest.mark.parametrize(
    ("connection", "more", "message", "instead"),
    [
        (("nemo", "gateway", "ssh"), {}, "'nemo' cannot start anything", "name an area"),
        (("anyone", "gateway", "ssh"), {}, "'anyone' is not one connection", "name an area"),
        (("office", "nemo", "ssh"), {}, "'nemo' is nowhere", "a domain name"),
        (("office", "camera-yard", "rtsp"), {}, "camera-yard has no lasting address",
         "add `address: lasting` to it"),
        (("office", "gateway", "sshh"), {}, "'sshh' is no service", "did you mean 'ssh'?"),
        (("office", "gateway", "ssh"), {"down": ["rope"]}, "'rope' is no line", "copper, mast"),
        (("office", "gateway", "ssh"), {"who": "zed"}, "'zed' is nobody I know", "nobody, guest"),
        (("10.73.0.30", "2001:db8:cafe:40::1", "ssh"), {}, "share no address family",
         "there is no such connection"),
    ],
)  # fmt: skip
def test_unknown_names_are_told_with_what_to_write(
    connection: tuple[str, str, str], more: dict[str, Any], message: str, instead: str
) -> None:
    with pytest.raises(Unusable) as wrong:
        story(*connection, **more)
    (told,) = wrong.value.diagnostics
    assert message in told.message and instead in (told.help or "")


def test_a_story_is_of_the_very_attempt_that_the_plan_decides(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    def listen(*arguments: Any) -> Any:
        asked.append(arguments)
        return fate(*arguments)

    monkeypatch.setattr(why_room, "fate", listen)
    told = story("booking", "203.0.113.10", "https", at="Tue 21:30", down=["mast"])
    plan, attempt, environment = asked[0]
    assert told.stories[0].outcome.row is fate(plan, attempt, environment).row
    assert environment.lines == {"copper"}
    assert environment.instant == datetime(2026, 11, 3, 21, 30, tzinfo=UTC)
    assert (attempt.entrance, attempt.service) == ("barn", (6 << 16) + 443)


# --- around the days on which the clocks change --------------------------------------------------

NIGHTS = b"""charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  dsl: {device: eth0, address: automatic}
areas:
  home: {device: eth1, hosts: 12}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
hours:
  small-hours: {weekly: {daily: "01:00-02:00"}}
rules:
  - {let: home, reach: internet, with: https, during: small-hours, because: copies}
"""


@pytest.mark.parametrize(
    ("at", "outcome", "now"),
    [
        ("2026-10-25 00:59", "refused", "2026-10-24"),
        ("2026-10-25T00:00+00:00", "let", "2026-10-24"),  # 01:00 the first time
        ("2026-10-25T01:00+00:00", "let", "2026-10-24"),  # 01:00 the second time
        ("2026-10-25T01:59+00:00", "let", "2026-10-24"),
        ("2026-10-25T02:00+00:00", "refused", "2026-10-24"),
        ("2027-03-28T00:59+00:00", "refused", "2027-03-27"),  # 00:59, and then it is 02:00
        ("2027-03-28T01:00+00:00", "refused", "2027-03-27"),
        ("2027-03-29 01:00", "let", "2027-03-27"),
    ],
)
def test_a_story_keeps_the_clocks_of_the_site(at: str, outcome: str, now: str) -> None:
    present = datetime.fromisoformat(now).replace(tzinfo=UTC)
    told = explain(Source("n.yaml", NIGHTS), "desk", "example.org", "https", present, at=at)
    assert told.as_json()["outcome"] == outcome


def test_who_is_barred_asks_for_no_names() -> None:
    """As its connection to the gateway's resolver fares."""
    barred = explain_name(DEMO, "spare-laptop", "www.example.org", "A", NOW).as_json()
    question = explain(DEMO, "spare-laptop", "gateway", "dns", NOW).as_json()
    assert question["outcome"] == "refused" and question["decided_by"] == "housekeeping 'barred'"
    assert (barred["outcome"], barred["decided_by"]) == ("refused", "housekeeping 'barred'")
    assert barred["headline"].endswith("refused by housekeeping 'barred'.")
    (step,) = barred["steps"]
    assert step["span"]["line"] == line_of("  spare-laptop:")
    heard = explain_name(DEMO, "duty-laptop", "www.example.org", "A", NOW).as_json()
    assert heard["outcome"] == "answered" and set(heard) == set(barred)


def test_stories_and_answers_are_plain_data() -> None:
    for shape in (
        story("office", "example.org", "https").as_json(),
        ask_charter(DEMO, "who can reach booking", NOW).as_json(),
    ):
        assert json.loads(json.dumps(shape)) == shape
