"""Visits and what they are answered: who is told what, and how hostile ones fare."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from urllib.parse import urlencode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.diagnostics.escape import HIDDEN
from netcharter.gate import tokens
from netcharter.gate.limits import Meter, Rate
from netcharter.gate.requests import MOST, MOST_OF_AREA, Box, Request
from netcharter.gate.visits import (
    FORM,
    HEADERS,
    LARGEST_FORM,
    SENDS,
    VISITS,
    VISITS_OF_AREA,
    Reply,
    Visit,
    named,
    source_of,
)
from tests.gate.site import BUNK, DESK, EVENING, LESSON, OFFICE, SECRET, asked, gate, visit

GATEWAY = "This is the gateway of"
TITLE = re.compile(r"<h1>(.*?)</h1>", re.DOTALL)


class Tags(HTMLParser):
    """What a page's markup is, once a browser has read it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.fields: dict[str, str] = {}
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.text += " " if tag in ("dd", "div", "span") else ""
        said = dict(attrs)
        if tag in ("input", "textarea"):
            self.fields[str(said["name"])] = said.get("value") or ""

    def handle_data(self, data: str) -> None:
        self.text += data


def words(reply: Reply) -> str:
    return " ".join(Tags(reply.page).text.split())


def is_gateway(reply: Reply) -> bool:
    return GATEWAY in reply.page and "withheld" not in words(reply).lower()


def sending(why: str = "", reach: str = "", name: str = "www.bets.example", **more: str) -> Visit:
    mark = tokens.token(SECRET, "bunkrooms", name, 0.0)
    body = urlencode({"mark": mark, "why": why, "reach": reach, **more}).encode()
    return visit(name, method="POST", kind=FORM, body=body)


# --- who is told what ----------------------------------------------------------------------------


def test_a_withheld_name_is_explained_with_all_that_is_known_of_it() -> None:
    reply = asked(visit())
    assert reply.status == 403  # RFC 9110 section 15.5.4
    said = words(reply)
    for part in ("www.bets.example is withheld here", "Because no games of chance in the house",
                 "Found in the list dice (gambling)", "line 1 says bets.example, with all names below",
                 "For whom bunkrooms", "Until 16:00 on Thursday 26 November 2026 (hours: lessons)",
                 "The rule names rule 2", "Whom to ask duty warden"):  # fmt: skip
        assert part in said, part


def test_a_rule_with_a_last_day_and_a_contact_of_its_own() -> None:
    said = words(asked(visit("videos.example"), EVENING))
    for part in ("Because the line is <i>thin</i>", "Found in the rule itself videos.example",
                 "Until the end of Wednesday 31 March 2027", "The rule evenings", "office & co"):  # fmt: skip
        assert part in said, part


def test_the_name_of_another_script_is_shown_beside_its_own() -> None:
    said = words(asked(visit("xn--bcher-kva.example")))
    assert "xn--bcher-kva.example is withheld here" in said and "bücher.example" in said


def test_only_what_is_withheld_from_that_very_asker_now_is_explained() -> None:
    for host, source, now, explained in (
        ("bets.example", BUNK, LESSON, True),
        ("bets.example", BUNK, EVENING, False),  # not in these hours
        ("bets.example", OFFICE, LESSON, False),  # not for them
        ("open.bets.example", BUNK, LESSON, False),  # an exception
        ("desk-only.example", DESK, LESSON, True),
        ("desk-only.example", OFFICE, LESSON, False),  # another device
        ("desk-only.example", BUNK, LESSON, False),
        ("videos.example", BUNK, LESSON + timedelta(days=200), False),  # its last day is over
        ("nothing.example", BUNK, LESSON, False),
        ("bets.example", "198.51.100.7", LESSON, False),  # of no area
    ):
        reply = asked(visit(host, source), now)
        assert is_gateway(reply) != explained, (host, source, now)
        assert ("www" not in reply.page) or explained


def test_what_is_no_name_of_ours_is_misdirected() -> None:
    """RFC 9110 section 15.5.20; the gateway's own address has one page, at its root."""
    for host, path, status in (
        ("nothing.example", "/", 421), ("10.40.0.1", "/", 200), ("10.40.0.1", "/x", 404),
        ("10.40.0.1:80", "/", 200), ("", "/", 200), ("[::1]", "/", 200), ("..", "/", 200),
    ):  # fmt: skip
        reply = asked(visit(host, path=path))
        assert (reply.status, is_gateway(reply)) == (status, True), host


def test_every_page_forbids_scripts_framing_keeping_and_guessing() -> None:
    """W3C CSP Level 3, RFC 9111 section 5.2.2.5, WHATWG Fetch (nosniff)."""
    for reply in (asked(visit()), asked(visit("x.example")), asked(sending("please"))):
        said = reply.headers
        assert said["cache-control"] == "no-store" and said["connection"] == "close"
        assert said["x-content-type-options"] == "nosniff"
        assert said["referrer-policy"] == "no-referrer"
        policy = said["content-security-policy"].split("; ")
        assert {"default-src 'none'", "form-action 'self'", "frame-ancestors 'none'",
                "base-uri 'none'"} <= set(policy)  # fmt: skip
        assert "script" not in " ".join(policy) and "script" not in Tags(reply.page).tags
        assert "set-cookie" not in said


# --- the form ------------------------------------------------------------------------------------


def test_a_request_is_kept_with_what_was_sent_and_nothing_else() -> None:
    reply = asked(sending("a project\r\nabout odds", "class 7b"))
    assert reply.status == 200 and reply.keep is not None
    number, request = reply.keep
    assert number == 1
    assert request == Request("www.bets.example", "bunkrooms", "names rule 2",
                              "a project\nabout odds", "class 7b", LESSON)  # fmt: skip
    assert BUNK not in repr(request)
    assert "Your request is noted" in reply.page and "could not be noted" in reply.unkept


def test_nothing_is_changed_by_looking() -> None:
    for method in ("GET", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "BREW"):
        reply = asked(replace(sending("x"), method=method))
        assert reply.keep is None
        assert reply.status == (403 if method in ("GET", "HEAD") else 405)


def test_a_form_that_did_not_come_from_a_page_of_ours_changes_nothing() -> None:
    whole = sending("please")
    for forged in (
        sending("please", mark=""),
        sending("please", mark="0" * 32),
        sending("please", mark=tokens.token(b"other", "bunkrooms", "www.bets.example", 0.0)),
        sending("please", mark=tokens.token(SECRET, "office", "www.bets.example", 0.0)),
        sending("please", mark=tokens.token(SECRET, "bunkrooms", "bets.example", 0.0)),
        sending("please", mark="é" * 32),
        replace(whole, origin="http://evil.example"),
        replace(whole, origin="https://www.bets.example"),
        replace(whole, kind="text/plain"),
        replace(whole, kind="multipart/form-data"),
        replace(whole, body=b"mark=%ff%fe"),
        replace(whole, body=whole.body + b"&mark=again"),  # type: ignore[operator]
        replace(whole, body=b"&".join(b"a%d=1" % n for n in range(50))),
        replace(whole, body="mark=ä".encode()),
        replace(whole, body=b""),
        replace(whole, body=None),
    ):
        reply = asked(forged)
        assert reply.keep is None and reply.status in (400, 403, 413), forged
        assert "Send the request" in reply.page
    for fine in ("", "null", "http://www.bets.example"):
        assert asked(replace(whole, origin=fine)).keep is not None


def test_a_mark_is_good_for_an_hour_or_two() -> None:
    for seconds, good in ((0.0, True), (3_599.0, True), (7_199.0, True), (7_200.0, False)):
        reply = asked(sending("please"), clock=seconds)
        assert (reply.keep is not None) == good
        assert good or ("nothing was sent" in reply.page and "please" in reply.page)


def test_what_was_too_long_is_not_kept_and_what_was_typed_is_not_lost() -> None:
    reply = asked(sending("y" * 601, "class 7b"))
    assert (reply.status, reply.keep) == (422, None)
    assert Tags(reply.page).fields["reach"] == "class 7b"
    assert asked(sending("y" * 600, "z" * 120)).keep is not None
    assert asked(sending("y", "z" * 121)).keep is None


def test_who_sends_a_form_twice_asks_once() -> None:
    first = asked(sending("please"))
    assert first.keep is not None
    again = asked(sending("please"), LESSON + timedelta(minutes=3), gate(Box(dict([first.keep]))))
    assert again.keep is None and again.status == 200
    assert "had been noted already" in again.page and "Request 1" in again.page


def test_when_there_is_no_room_that_is_said() -> None:
    def full(count: int, area: str) -> Box:
        kept = {n: Request(f"n{n}.example", area, "x", "", "", LESSON) for n in range(1, count + 1)}
        return Box(kept)

    for box, room in ((full(MOST - 1, "office"), True), (full(MOST, "office"), False),
                      (replace(full(MOST - 1, "office"), broken=1), False),
                      (full(MOST_OF_AREA, "bunkrooms"), False),
                      (full(MOST_OF_AREA - 1, "bunkrooms"), True)):  # fmt: skip
        reply = asked(sending("please"), at=gate(box))
        assert (reply.keep is not None, reply.status) == ((True, 200) if room else (False, 503))
        assert room or ("duty warden" in reply.page and "could not be noted" in reply.page)


# --- hostile input -------------------------------------------------------------------------------

NASTY = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</textarea><script>x</script>",
    "{{ 7*7 }}", "{% raw %}", "a\x00b", "\u202etxt.exe", "' onfocus='x", "\r\nSet-Cookie: a=b",
    "\ud800", "javascript:alert(1)",
)  # fmt: skip


@pytest.mark.parametrize("nasty", NASTY)
def test_no_markup_of_others_becomes_markup(nasty: str) -> None:
    plain, typed = Tags(asked(visit()).page), nasty.encode("utf-8", "replace").decode()
    again = asked(sending(typed, typed, mark="old"))
    noted = asked(sending(typed, typed))
    assert Tags(again.page).tags == [*plain.tags[: plain.tags.index("form")], "p",
                                     *plain.tags[plain.tags.index("form") :]]  # fmt: skip
    assert set(Tags(noted.page).tags) <= {*plain.tags, "a"}
    for page in (again.page, noted.page):
        assert "49<" not in page and "\u202e" not in page and "\x00" not in page
    for host in (nasty, f"www.bets.example{nasty}", f"{nasty}.bets.example"):
        reply = asked(visit(host))
        assert is_gateway(reply)
        assert nasty not in reply.page and not any("\n" in one for one in reply.headers.values())


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=300), st.text(max_size=50), st.binary(max_size=300), st.sampled_from(
    ["GET", "POST", "HEAD", "X"]), st.sampled_from([FORM, "", "text/plain", FORM + "; charset=x"]))  # fmt: skip
def test_whatever_comes_is_answered(
    host: str, path: str, body: bytes, method: str, kind: str
) -> None:
    for one in (host, "www.bets.example"):
        reply = asked(Visit(method, one, path, visit().source, kind, host, body))
        assert reply.status in (200, 400, 403, 404, 405, 421)
        assert reply.keep is None  # none of it has the mark of a page of ours


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=700), st.text(max_size=150))
def test_whatever_is_typed_is_kept_clean_or_not_at_all(why: str, reach: str) -> None:
    typed = [one.encode("utf-8", "replace").decode() for one in (why, reach)]
    reply = asked(sending(*typed))
    if reply.keep is not None:
        request = reply.keep[1]
        assert len(request.why) <= 600 and len(request.reach) <= 120
        assert "\n" not in request.reach and not HIDDEN.search(request.reach)


def test_a_host_is_a_name_with_a_port_at_most() -> None:
    for host, name in (
        ("WWW.Bets.Example", "www.bets.example"), ("bets.example.", "bets.example"),
        ("bets.example:80", "bets.example"), ("bets.example:", None), ("bets.example:80:80", None),
        ("bets.example:8x", None), ("user@bets.example", None), ("bets.example/x", None),
        ("10.0.0.1", None), ("[fe80::1]:80", None), ("a" * 300, None), ("x" * 64 + ".example", None),
        ("bücher.example", "xn--bcher-kva.example"), ("bets .example", None), (" ", None),
        ("*.bets.example", None), ("bets.example\x00", None),
    ):  # fmt: skip
        assert named(host) == name, host


def test_addresses_are_those_that_the_kernel_tells() -> None:
    assert str(source_of("::ffff:10.40.0.33")) == "10.40.0.33"
    assert str(source_of("fe80::1%eth3")) == "fe80::1"
    assert source_of("unix") is None


# --- how often -----------------------------------------------------------------------------------


def test_who_comes_too_often_waits_and_others_do_not() -> None:
    meter = Meter()
    one = gate(meter=meter)
    statuses = [asked(visit(), at=one).status for _ in range(VISITS.at_once + 1)]
    assert statuses == [403] * VISITS.at_once + [429]
    late = asked(visit(), at=one)
    assert late.status == 429 and late.headers["retry-after"] == str(int(VISITS.each) + 1)
    assert asked(visit(source="10.40.0.34"), at=one).status == 403
    assert asked(visit(), at=one, clock=VISITS.each).status == 403


def test_an_area_that_comes_too_often_waits_whatever_addresses_it_takes() -> None:
    one = gate(meter=Meter())
    answers = [
        asked(visit(source=f"10.40.0.{10 + turn % 200}"), at=one).status
        for turn in range(VISITS_OF_AREA.at_once + 1)
    ]
    assert answers[-1] == 429 and set(answers[:-1]) == {403}
    assert is_gateway(asked(visit(source=OFFICE), at=one))


def test_forms_are_sent_now_and_then() -> None:
    one = gate(meter=Meter())
    answers = [asked(sending(f"{turn}"), at=one).status for turn in range(SENDS.at_once + 1)]
    assert answers == [200] * SENDS.at_once + [429]
    assert asked(visit(), at=one).status == 403  # the page is still there


def test_a_meter_forgets_who_came_longest_ago() -> None:
    meter, rate = Meter(most=3), Rate(1, 10.0)
    for number in range(5):
        assert meter.takes(0.0, [(number, rate)]) == 0.0
    assert meter.takes(0.0, [(4, rate)]) > 0
    assert meter.takes(0.0, [(0, rate)]) == 0.0
    assert meter.takes(100.0, [(4, rate)]) == 0.0


def test_the_headers_are_of_the_form_that_http_has() -> None:
    for name, text in HEADERS.items():
        assert re.fullmatch(r"[a-z-]+", name) and text.isascii() and text.isprintable()
    assert LARGEST_FORM > 600 * 9 + 120 * 9  # what may be typed fits, percent-encoded
