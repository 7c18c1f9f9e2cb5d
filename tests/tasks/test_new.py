"""The conversation of `new`, and the first charter it writes: commented, and checked clean."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from ipaddress import IPv4Network, IPv6Network
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.charter.core import resolve
from netcharter.charter.model import Charter
from netcharter.charter.read import read
from netcharter.diagnostics.escape import HIDDEN
from netcharter.plan import make_plan
from netcharter.proofs import prove
from netcharter.tasks.charter_text import quote
from netcharter.tasks.first_charter import KINDS, NO_ADMIN, NO_SERVER, OWN_PLACES, Port
from netcharter.tasks.new import TRIES, Answers, Question, converse, to_fill_in, write_charter
from netcharter.tasks.sources import Unusable

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
ENTROPY = bytes(range(16))
FULL = {
    "site": "Tarn Hollow Outdoor Centre",
    "lines": "2",
    "line.1.address": "203.0.113.10/29, 2001:db8:7aff::2/64",
    "line.1.rate": "40 Mbit/s, 8 Mbit/s",
    "line.1.prefix": "2001:db8:7a00::/48",
    "areas": "office, bunkrooms as guests, phones, cameras, tills, printers, barn as servers, loft",
    "admin.name": "duty-laptop",
    "admin.hardware": "02:00:00:aa:00:01",
    "sign-in": "yes",
    "telephony": "198.51.100.128/28, 2001:db8:cafe:40::/64",
    "payments": "198.51.100.64/28",
    "server.name": "booking",
    "server.hardware": "02:00:00:aa:00:02",
    "server.services": "https, tcp/8443",
}


def hold(answers: Mapping[str, str], **more: str) -> tuple[Answers, list[Question[Any]]]:
    """A conversation in which every question has one answer; those not named get the default."""
    asked: list[Question[Any]] = []

    def ask(question: Question[Any]) -> str:
        assert question.problem is None, (question.id, question.problem)
        asked.append(question)
        return answers.get(question.id, "")

    return converse(ask, entropy=ENTROPY, **more), asked


def refusal(answers: Mapping[str, str], wrong: str) -> str:
    """What is said about the answer to one question, which is then left to its default."""
    problems: list[str] = []

    def ask(question: Question[Any]) -> str:
        if question.problem is not None:
            assert question.id == wrong, (question.id, question.problem)
            problems.append(question.problem)
            return ""
        return answers.get(question.id, "")

    converse(ask, entropy=ENTROPY)
    assert len(problems) == 1, problems
    return problems[0]


def clean(answers: Answers) -> Charter:
    """The charter that is written, once it is known to be read, planned and proven without fault."""
    text = write_charter(answers)
    reading = read(text, "charter.yaml")
    assert reading.diagnostics == (), text
    assert reading.charter is not None
    proof = prove(make_plan(reading.charter), NOW)
    assert [d for d in proof.findings if d.severity != "note"] == [], text
    assert all(result.holds for result in proof.promises), text
    assert proof.promises
    return reading.charter


def comments(text: str) -> list[str]:
    return [line.partition("#")[2] for line in text.splitlines() if "#" in line]


def told(text: str) -> str:
    """All comments as one line."""
    return " ".join(" ".join(comments(text)).split())


def test_one_can_press_enter_through_everything() -> None:
    answers, asked = hold({})
    charter = clean(answers)
    assert len(asked) <= 15
    assert list(charter.areas) == ["office", "guests"]
    assert charter.site.managed_from == ("admin-laptop",)
    assert [rule.reach for rule in charter.rules] == [("internet",), ("internet",)]
    assert {p.kind for p in charter.promises} == {"always", "never"}


def test_every_question_has_words_help_and_a_default_that_can_be_taken() -> None:
    _, asked = hold(FULL)
    assert len({question.id for question in asked}) == len(asked)
    for question in asked:
        assert question.prompt.endswith("?") and len(question.prompt) < 90
        assert question.help.endswith(".")
        assert question.default


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_area_alone_is_a_whole_charter(kind: str) -> None:
    answers, _ = hold({"areas": f"yard as {kind}", "sign-in": "yes"})
    charter = clean(answers)
    assert list(charter.areas) == ["yard"]
    assert charter.devices["admin-laptop"].area == "yard"


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind not in ("office", "other")])
def test_each_kind_beside_the_office_and_twice(kind: str) -> None:
    answers, _ = hold({"areas": f"office, east as {kind}, west as {kind}"})
    charter = clean(answers)
    assert charter.devices["admin-laptop"].area == "office"


def test_all_kinds_on_two_lines_in_both_families() -> None:
    answers, _ = hold(FULL, timezone_guess="Europe/London")
    charter = clean(answers)
    assert to_fill_in(answers) == ()
    assert charter.site.timezone == "Europe/London"
    assert [line.role for line in charter.lines.values()] == ["main", "standby"]
    assert charter.lines["main-line"].rate is not None
    assert charter.lines["main-line"].rate.down == 40_000_000
    assert charter.lines["main-line"].prefix == IPv6Network("2001:db8:7a00::/48")
    assert charter.areas["bunkrooms"].sign_in and charter.areas["bunkrooms"].apart
    assert charter.rules[0].emergency and charter.rules[0].who == ("phones",)
    assert charter.offers[0].services == ("https", "tcp/8443")
    assert charter.offers[0].to == "booking"


def test_the_promises_say_what_the_trade_wants_of_each_kind() -> None:
    charter = clean(hold(FULL)[0])
    said = {(p.kind, p.who, frozenset(p.reach)) for p in charter.promises}
    areas = frozenset(charter.areas)
    assert ("never", ("bunkrooms",), areas - {"bunkrooms"} | {"gateway"}) in said
    assert ("never", ("cameras",), frozenset({"internet"})) in said
    assert ("never", ("printers",), frozenset({"internet"})) in said
    assert ("never", ("barn",), areas - {"barn"} | {"gateway"}) in said
    assert ("never", ("internet",), areas | {"gateway"}) in said
    assert ("only", ("tills",), frozenset({"payments"})) in said
    assert ("always", ("phones",), frozenset({"telephony"})) in said
    assert ("always", ("duty-laptop",), frozenset({"gateway"})) in said


def test_every_rule_and_promise_says_why() -> None:
    charter = clean(hold(FULL)[0])
    reasons = [rule.because for rule in charter.rules]
    reasons += [offer.because for offer in charter.offers]
    reasons += [promise.because for promise in charter.promises]
    assert all(reasons) and len(reasons) > 15


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({}, "lock you out"),
        ({"areas": "guests"}, "lawful basis"),
        ({"areas": "guests"}, "minors"),
        ({"areas": "guests", "sign-in": "yes"}, "call for help"),
        ({"areas": "office, cameras"}, "lawful basis"),
        ({"areas": "phones"}, "emergency call"),
        ({"areas": "tills"}, "Payment equipment follows rules of its own"),
    ],
)
def test_cautions_stand_where_they_matter(answers: dict[str, str], words: str) -> None:
    assert words in told(write_charter(hold(answers)[0]))


def test_what_was_put_off_is_nobodys_and_marked_as_such() -> None:
    answers, _ = hold({"areas": "office, phones, tills, servers"})
    text = write_charter(answers)
    assert len(to_fill_in(answers)) == 4
    assert text.count("TO FILL IN:") == 4
    # RFC 9542 section 2.1.4 and RFC 5737 section 3: addresses for documentation.
    assert all(h >> 8 == 0x00_00_5E_00_53 for h in (NO_ADMIN, NO_SERVER))
    block = IPv4Network("198.51.100.0/24")
    assert all(IPv4Network(prefix).subnet_of(block) for prefix in OWN_PLACES.values())
    assert "TO FILL IN" not in write_charter(hold(FULL)[0])


def test_the_local_prefix_is_drawn_as_rfc_4193_says() -> None:
    # RFC 4193 section 3.2.2: the last 40 bits of SHA-1 over time and EUI-64, behind fd00::/8.
    answers, _ = hold({})
    expected = b"\xfd" + hashlib.sha1(ENTROPY).digest()[-5:] + bytes(10)
    assert answers.local_prefix.network_address.packed == expected
    assert answers.local_prefix.prefixlen == 48
    other = converse(lambda _: "", entropy=bytes(16))
    assert other.local_prefix != answers.local_prefix


def test_too_little_chance_is_a_bug_of_the_caller() -> None:
    with pytest.raises(ValueError, match="entropy"):
        converse(lambda _: "", entropy=b"short")


def test_guesses_are_offered_where_they_make_sense() -> None:
    _, asked = hold({}, timezone_guess="Asia/Kathmandu", hardware_guess="02:00:00:aa:00:07")
    offered = {question.id: question.default for question in asked}
    assert offered["timezone"] == "Asia/Kathmandu"
    assert offered["admin.hardware"] == "02:00:00:aa:00:07"
    _, asked = hold({}, timezone_guess="Nowhere\n", hardware_guess="ff:ff:ff:ff:ff:ff")
    offered = {question.id: question.default for question in asked}
    assert offered["timezone"] == "UTC"
    assert offered["admin.hardware"] == "later"


@pytest.mark.parametrize(
    ("given", "kinds"),
    [
        ("staff, visitors, voice", ["office", "guests", "phones"]),
        ("Office; Guests", ["office", "guests"]),
        ("tills and printers", ["tills", "printers"]),
        ("loft", ["other"]),
        ("offices as other", ["other"]),
        ("büro as office, 客人 as guests", ["office", "guests"]),
    ],
)
def test_kinds_are_known_by_what_areas_are_called(given: str, kinds: list[str]) -> None:
    answers, _ = hold({"areas": given})
    assert [area.kind for area in answers.areas] == kinds
    clean(answers)


@pytest.mark.parametrize(
    ("given", "port"),
    [
        ("20 on enp3s0", Port("enp3s0", None)),
        ("20 on eth5 vlan 20", Port("eth5", 20)),
        ("20, eth5.20", Port("eth5", 20)),
        ("20 eth5/20", Port("eth5", 20)),
        ("20 on eth5 VLAN20", Port("eth5", 20)),
        ("20", Port("eth1", None)),
    ],
)
def test_hosts_and_device_are_said_in_one_breath(given: str, port: Port) -> None:
    answers, _ = hold({"areas": "office", "area.1": given})
    assert (answers.areas[0].hosts, answers.areas[0].port) == (20, port)
    clean(answers)


@pytest.mark.parametrize("given", ["40/8 Mbit/s", "40 Mbit/s, 8 Mbit/s", "40 Mbit/s and 8Mbit/s"])
def test_both_rates_are_said_in_one_breath(given: str) -> None:
    rate = clean(hold({"line.1.rate": given})[0]).lines["main-line"].rate
    assert rate is not None and (rate.down, rate.up) == (40_000_000, 8_000_000)


@pytest.mark.parametrize(
    ("wrong", "given", "words"),
    [
        ("site", "x" * 10_000, "longer than"),
        ("site", "quiet \u202e night", "can't be seen"),
        ("timezone", "Europe/Lundon", "Europe/London"),
        ("lines", "none", "write 1 to 6"),
        ("lines", "7", "write 1 to 6"),
        ("line.1.name", "internet", "a meaning of its own"),
        ("line.1.name", "payments", "taken already"),
        ("line.1.name", "a\nb", "can't be a name"),
        ("line.1.name", "$(reboot)", "can't be a name"),
        ("line.1.device", "eth0; reboot", "no device of the gateway"),
        ("line.1.device", "eth0 vlan 9999", "VLAN id"),
        ("line.1.device", "a-long-name0 vlan 100", "too long"),
        ("line.1.address", "203.0.113.10", "how long is the prefix"),
        ("line.1.address", "203.0.113.10/0", "/12 to a /31"),
        ("line.1.address", "127.0.0.1/29", "can't be"),
        ("line.1.address", "2001:db8::2/64", "IPv4 address is missing"),
        ("line.1.address", "203.0.113.10/29, 203.0.113.11/29", "one of IPv4"),
        ("line.1.rate", "40 MB/s", "no pair of rates"),
        ("line.1.rate", "40, 8", "no pair of rates"),
        ("line.1.prefix", "2001:db8::/64", "/48 to a /60"),
        ("line.1.prefix", "fd00::/48", "not a global"),
        ("areas", ", ,", "no area"),
        ("areas", "office, OFFICE", "twice"),
        ("areas", "main-line", "taken already"),
        ("areas", "phonse", "phonse as phones"),
        ("areas", "yard as jungle", "yard as other"),
        ("areas", ", ".join(f"a{n}" for n in range(13)), "at most 12"),
        ("area.1", "many", "does not say how many"),
        ("area.1", "0 on eth1", "write 1 to 10000"),
        ("area.1", "20 on eth0", "hangs on `eth0` already"),
        ("admin.name", "office", "taken already"),
        ("admin.hardware", "01:00:5e:00:00:01", "a group of devices"),
        ("sign-in", "perhaps", "yes or no"),
    ],
)
def test_an_answer_that_cannot_be_taken_is_explained(wrong: str, given: str, words: str) -> None:
    assert words in refusal({wrong: given}, wrong)


@pytest.mark.parametrize(
    ("answers", "wrong", "words"),
    [
        ({"line.1.next-hop": "203.0.113.10"}, "line.1.next-hop", "can't be the router"),
        ({"line.1.next-hop": "203.0.113.15"}, "line.1.next-hop", "can't be the router"),
        ({"line.1.next-hop": "198.51.100.1"}, "line.1.next-hop", "in no network"),
        ({"lines": "2", "line.2.address": "203.0.113.12/29"}, "line.2.address", "overlaps"),
        ({"areas": "phones", "telephony": "10.1.0.0/16"}, "telephony", "no place on the internet"),
        ({"areas": "phones", "telephony": "0.0.0.0/0"}, "telephony", "more than anybody has"),
        ({"areas": "phones", "telephony": "2001:db8:1::/48"}, "telephony", "IPv4"),
        ({"areas": "tills", "payments": "203.0.113.10/32"}, "payments", "own address"),
        ({"areas": "servers", "server.services": "ping"}, "server.services", "no ports"),
        ({"areas": "servers", "server.services": "htps"}, "server.services", "https"),
        ({"areas": "servers", "server.hardware": "02-00-00-aa-00-01"}, "server.hardware", "other"),
        ({"areas": "office, loft", "admin.area": "attic"}, "admin.area", "none of office, loft"),
    ],
)
def test_answers_that_do_not_fit_together_are_explained(
    answers: dict[str, str], wrong: str, words: str
) -> None:
    base = {"line.1.address": "203.0.113.10/29", "admin.hardware": "02:00:00:aa:00:01"}
    assert words in refusal(base | answers, wrong)


def test_what_is_said_about_a_wrong_answer_is_safe_to_print() -> None:
    problem = refusal({"line.1.name": "\x1b[2Jx\u202ey"}, "line.1.name")
    assert problem.isprintable() and "<U+001B>" in problem


def test_the_conversation_ends_after_too_many_wrong_answers() -> None:
    asked = 0

    def ask(question: Question[Any]) -> str:
        nonlocal asked
        asked += question.id == "timezone"
        return "Nowhere/\x1b]0;at all" if question.id == "timezone" else ""

    with pytest.raises(Unusable) as caught:
        converse(ask, entropy=ENTROPY)
    assert asked == TRIES
    (found,) = caught.value.diagnostics
    assert found.severity == "error" and found.message.isprintable()


def test_the_end_of_input_ends_the_conversation() -> None:
    def ask(question: Question[Any]) -> str:
        raise EOFError(question.id)

    with pytest.raises(EOFError):
        converse(ask, entropy=ENTROPY)


def test_nothing_is_offered_where_the_provider_translates_once_more() -> None:
    private = {"areas": "office, servers", "line.1.address": "192.168.178.2/24"}
    answers, _ = hold(private)
    charter = clean(answers)
    assert charter.offers == ()
    assert "Ask for a public address" in told(write_charter(answers))
    second = private | {"lines": "2", "line.2.address": "203.0.113.10/29"}
    assert clean(hold(second)[0]).offers[0].lines == ("second-line",)


def test_no_word_of_an_answer_stands_in_a_comment() -> None:
    names = {
        "site": "zqsite",
        "line.1.name": "zqline",
        "areas": "zqoffice as office, zqvisitors as guests, zqrack as servers",
        "admin.name": "zqlaptop",
        "server.name": "zqweb",
    }
    text = write_charter(hold(names)[0])
    assert text.count("zq") >= 10
    assert not any("zq" in comment for comment in comments(text))


def test_the_text_is_narrow_and_ends_well() -> None:
    text = write_charter(hold(FULL)[0])
    assert text.endswith("\n") and not text.endswith("\n\n")
    assert "\n\n\n" not in text
    prose = [line for line in text.splitlines() if line.lstrip().startswith("#")]
    assert max(map(len, prose)) <= 100


# Texts that YAML 1.1, YAML 1.2 or both take for something else than text.
TRICKY = st.sampled_from(
    "yes no on off ~ null true 0o17 0x1f 1e3 1_000 .5 .inf 12:30 12:34:56 = << 2026-11-02 - ? :"
    " !x &x *x %x @x `x |x >x {x} [x] #x 'x' \"x\" a,b a]b a}b".split()
    + ["", " ", "a ", " a", "a: b", "a #b", "a\nb", "a\n\n b", "a\tb", "\x00", "\x85", "\u2028",
       "\u202e", "\ufeff", "\U0001f3aa", "a\\b", "x" * 10_000, "---", "...", "--- a", "- a", "?a"]
)  # fmt: skip
ANYTHING = TRICKY | st.text(st.characters(exclude_categories=["Cs"]), max_size=40)


@given(ANYTHING)
@settings(max_examples=300)
def test_every_text_reads_back_as_it_was(text: str) -> None:
    block, inside = quote(text), quote(text, inside=True)
    assert yaml.safe_load(f"k:\n  - {block}\n  - [{inside}, z]\n") == {"k": [text, [text, "z"]]}
    for spelt in (block, inside):
        assert "\n" not in spelt
        assert spelt.startswith('"') or (spelt == text and resolve(text) == text)


@given(ANYTHING, ANYTHING)
@settings(max_examples=40)
def test_a_hostile_site_or_server_stays_within_its_value(site: str, service: str) -> None:
    answers, _ = hold(FULL)
    assert answers.server is not None
    server = replace(answers.server, services=(service, "https"))
    found = yaml.safe_load(write_charter(replace(answers, site=site, server=server)))
    assert found["site"]["name"] == site
    assert found["offers"][0]["offer"] == [service, "https"]
    assert set(found) == set(yaml.safe_load(write_charter(answers)))


AREA_ITEM = st.one_of(
    st.sampled_from(list(KINDS)),
    st.builds(
        "{} as {}".format,
        st.sampled_from(["yard", "loft", "Büro", "office", "barn", "west"]),
        st.sampled_from(list(KINDS)),
    ),
)
PLAUSIBLE: dict[str, st.SearchStrategy[str]] = {
    "site": st.sampled_from(["Tarn Hollow", "A: b", "# c", "'d'", "\U0001f3aa", "yes", "1e3"]),
    "timezone": st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe"]),
    "lines": st.sampled_from(["1", "2", "3", "6"]),
    "name": st.sampled_from(["copper", "mast", "office", "yard", "on", "web", "speech", "NULL"]),
    "device": st.sampled_from(["eth0", "eth1", "eth1.7", "enp2s0 vlan 30", "br0"]),
    "address": st.sampled_from(
        ["automatic", "203.0.113.10/29", "192.0.2.1/31 2001:db8:7a00::2/64", "10.9.0.2/12",
         "100.64.7.9/16, 2001:db8:b::5/127", "192.168.0.9/16"]
    ),
    "rate": st.sampled_from(["later", "40/8 Mbit/s", "1 Gbit/s, 0.5 Gbit/s", "5 bit/s, 5 bit/s"]),
    "prefix": st.sampled_from(["none", "2001:db8:7a00::/48", "2001:db8:b:10::/60", "2001:db8::/56"]),
    "areas": st.lists(AREA_ITEM, min_size=1, max_size=6).map(", ".join),
    "area": st.sampled_from(["1 on eth1", "10000 on eth2", "90 on eth3 vlan 30", "7", "4 eth1.7"]),
    "hardware": st.sampled_from(["02:00:00:aa:00:01", "0200.00aa.0001", "later", "none"]),
    "sign-in": st.sampled_from(["yes", "no"]),
    "telephony": st.sampled_from(
        ["later", "198.51.100.128/28", "203.0.113.0/24, 2001:db8:cafe::/48", "203.0.113.10/32",
         "2001:db8:cafe::/64", "128.0.0.0/8"]
    ),
    "services": st.sampled_from(["https", "http, https", "tcp/8443, udp/443", "ssh", "domain"]),
}  # fmt: skip
PLAUSIBLE["payments"] = PLAUSIBLE["telephony"]


def strategy(ident: str) -> st.SearchStrategy[str]:
    words = ident.split(".")
    fitting = next(PLAUSIBLE[w] for w in (ident, words[-1], words[0], "name") if w in PLAUSIBLE)
    return st.one_of(st.just(""), fitting, fitting, ANYTHING)


@given(st.data())
@settings(max_examples=30)
def test_whatever_is_answered_the_charter_checks_clean(data: st.DataObject) -> None:
    def ask(question: Question[Any]) -> str:
        if question.problem is not None:
            assert not HIDDEN.search(question.problem)
            answered.add(question.id)
            return ""
        assert question.id not in answered, "a default that cannot be taken"
        return data.draw(strategy(question.id), label=question.id)

    answered: set[str] = set()
    clean(converse(ask, entropy=data.draw(st.binary(min_size=16, max_size=16), label="entropy")))
