"""The page as text: whole, escaped, the same for the same charter, and nothing left out."""

from __future__ import annotations

import re
from base64 import b64encode
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from html.parser import HTMLParser

import pytest

from netcharter.diagnostics import Diagnostic, Span
from netcharter.proofs.ask import Inquiry, ask
from netcharter.report.page import proof_page
from netcharter.report.reach import from_lines
from netcharter.report.site import signs
from netcharter.report.wording import Sources
from tests.report.sites import HOSTILE, NOW, PLACEHOLDERS, TEXTS, hostile_page, judged, page

VOID = {"meta", "link", "br"}
FETCHING = {"src", "srcset", "action", "formaction", "poster", "data", "background", "ping"}


class Seen(HTMLParser):
    """What a browser would make of a page, as far as tests ask."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.style: list[str] = []
        self.comments: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        (self.style if self.open[-1:] == ["style"] else self.words).append(data)

    def handle_comment(self, data: str) -> None:
        self.comments.append(data)

    @property
    def text(self) -> str:
        return "".join(self.words)


@pytest.mark.parametrize("turn", range(len(HOSTILE)))
def test_no_hostile_word_becomes_markup(turn: int) -> None:
    """Every name, reason and file name is hostile; all of them come out as text."""
    seen, plain = Seen(hostile_page(turn)), Seen(hostile_page(None))
    assert not seen.comments
    prose = {"bdi", "code"}  # backticks and right-to-left words are set apart
    assert {t: n for t, n in seen.tags.items() if t not in prose} == {
        t: n for t, n in plain.tags.items() if t not in prose
    }
    assert "script" not in seen.tags and "img" not in seen.tags
    assert not [a for a in seen.attributes if a[1].startswith("on") or a[1] == "style"]
    assert "1337" not in seen.text  # 7 * 191, had a name been taken for a template
    for hidden in "\u202e\u202c\u200b\u2066":
        assert hidden not in hostile_page(turn)


@pytest.mark.parametrize("turn", range(len(HOSTILE)))
def test_hostile_names_are_still_told_in_full(turn: int) -> None:
    text = Seen(hostile_page(turn)).text
    for number, name in enumerate(PLACEHOLDERS):
        word = HOSTILE[(number + turn) % len(HOSTILE)]
        if name in ("hours-name", "promise-because", "rule-because") or "\u202e" in word:
            continue
        told = re.sub(r"\s+", " ", f"{number} {word}").replace("`", "")
        assert told in text.replace("`", ""), (name, told)


@pytest.mark.parametrize("site", sorted(TEXTS))
def test_links_lead_only_to_places_on_the_page_and_nothing_is_fetched(site: str) -> None:
    seen = Seen(page(site))
    ids = [value for _, name, value in seen.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    for tag, name, value in seen.attributes:
        assert name not in FETCHING
        if name in ("href", "xlink:href"):
            assert value == "data:," if tag == "link" else value[1:] in ids and value[0] == "#"
        if name in ("aria-labelledby", "aria-describedby"):
            assert set(value.split()) <= set(ids)
    assert not re.search(r"@import|url\(|https?://", "".join(seen.style))


def test_the_policy_allows_this_style_and_nothing_else() -> None:
    """Content Security Policy Level 3, section 6.7.3.3: the hash of the element's own text."""
    seen = Seen(page("draft"))
    policy = next(v for _, name, v in seen.attributes if name == "content" and "default-src" in v)
    digest = b64encode(sha256("".join(seen.style).encode()).digest()).decode()
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    assert parts["style-src"] == f"'sha256-{digest}'"
    assert "script-src" not in parts and "unsafe" not in policy


@pytest.mark.parametrize("site", sorted(TEXTS))
def test_all_that_the_proof_says_stands_on_the_page(site: str) -> None:
    proof, text = judged(site), re.sub(r"\s+", " ", Seen(page(site)).text)
    for result in proof.promises:
        assert result.text in text
        witness = proof.witness(result)
        assert witness is None or witness.sentence in text
    for finding in proof.findings:
        for said in (finding.message, finding.witness or "", finding.help or ""):
            assert re.sub(r"\s+", " ", said.replace("`", "")) in text
        assert f"{finding.span.file}:{finding.span.line}" in text
    for exit_ in proof.prover.plan.charter.exits:
        behind = "no other line" if exit_.refused else "the other lines"
        assert f"{exit_.name}{exit_.because or ''}" in text.replace(f"{exit_.name} ", exit_.name)
        assert ", ".join(exit_.lines) in text and behind in text
    for row in proof.prover.plan.rows:
        assert row.label in text and row.because in text and (row.basis or "") in text


@pytest.mark.parametrize("site", sorted(TEXTS))
def test_the_tables_of_an_area_say_exactly_what_can_be_reached(site: str) -> None:
    proof, text = judged(site), Seen(page(site)).text
    for area in proof.prover.plan.areas:
        start = text.index(f"From {area.name} you can reach")
        end = text.find("you can reach", start + len(f"From {area.name} you can reach"))
        part = text[start:end]
        assert "and nothing else" in part or "Nothing" in part
        for row in ask(proof.prover, Inquiry(who=(area.name,))).rows:
            for said in (row.to, row.service, row.when, row.decided_by):
                assert said in part


@pytest.mark.parametrize("site", sorted(TEXTS))
def test_the_tables_of_a_line_say_exactly_what_the_internet_sees(site: str) -> None:
    proof, text = judged(site), Seen(page(site)).text
    for line in proof.prover.plan.lines:
        start = text.index(f"By {line.name} the internet can reach")
        end = min(
            place
            for mark in ("the internet can reach", "The decisions in order")
            if (place := text.find(mark, start + len(line.name) + 30)) > 0
        )
        rows = ask(proof.prover, Inquiry(who=(line.name,))).rows
        for row in rows:
            for said in (row.to, row.service, row.when, row.decided_by):
                assert said in text[start:end]
        by_rule = any(row.decided_by.startswith("rule") for row in rows)
        assert ("Let in by rules as well" in text[start:end]) == by_rule
        assert "and nothing else" in text[start:end]


def test_all_offers_of_a_device_on_a_line_are_told_with_their_public_ports() -> None:
    told = [way.told for way in signs(judged("crowd")).ways if way.kind == "offer"]
    assert told == ["dsl offers https and ssh (at port 444) of till to the internet"]
    assert told[0] in page("crowd")


def test_an_offer_is_told_by_family_with_where_it_is_delivered() -> None:
    seen = from_lines(judged("open"), Sources.of({"open.yaml": TEXTS["open"]()}))
    [line] = seen
    four, six = line.families
    [desk] = [d for d in judged("open").prover.plan.devices if d.name == "desk"]
    assert (four.name, six.name, four.carried, six.carried) == ("IPv4", "IPv6", True, True)
    assert [row.arrives for row in four.rows] == [f"desk ({desk.addresses4[0]}, port 443)"]
    assert [row.arrives for row in six.rows] == [""]
    assert [row.decided_by for d in line.rules for row in d.rows] == ["rule 2"]


def test_findings_from_the_reading_are_shown_where_they_are_handed_over() -> None:
    span = Span("one.yaml", 3, 1, 3, 6)
    extra = Diagnostic("odd", "warning", "first line\nsecond `line`", span, help="write it so")
    proof = judged("one")
    text = proof_page(proof, {"one.yaml": TEXTS["one"]()}, NOW, [extra, *proof.findings])
    seen = Seen(text)
    assert "first line" in seen.text and "second line" in seen.text
    assert "1 warning" in seen.text
    assert text.count("<mark>lines</mark>") == 1  # columns 1 to 5 of the third line


def test_the_digest_is_that_of_the_text_and_the_time_is_the_sites_own() -> None:
    summer = datetime(2026, 7, 1, 11, 30, tzinfo=UTC)
    text = TEXTS["demo"]()
    made = proof_page(judged("demo"), {"charter.yaml": text}, summer)
    assert sha256(text.encode()).hexdigest() in made
    assert "Wed 01 Jul 2026, 12:30 (Europe/London)" in made  # summer time, an hour ahead of UTC


def test_a_place_outside_the_texts_is_named_without_a_link() -> None:
    proof = judged("one")
    odd = Diagnostic("odd", "note", "elsewhere", Span("elsewhere.yaml", 7, 1, 7, 2))
    seen = Seen(proof_page(proof, {"one.yaml": "charter: 1\n"}, NOW, [odd]))
    assert "elsewhere.yaml:7" in seen.text


def test_judgement_is_told_in_words_for_every_case() -> None:
    alone = replace(judged("one"), promises=judged("one").promises[:1])
    assert "The one promise holds" in proof_page(alone, {"one.yaml": TEXTS["one"]()}, NOW)
    assert re.search(r"All \d+ promises hold", page("demo"))
    assert re.search(r"[12] of \d+ promises (is|are) broken", page("draft"))
    silent = replace(judged("one"), promises=(), findings=())
    text = proof_page(silent, {"one.yaml": TEXTS["one"]()}, NOW)
    assert "The charter makes no promises" in text and "Nothing wrong" in text


def test_equal_arguments_give_equal_pages() -> None:
    first = proof_page(judged("draft"), {"draft.yaml": TEXTS["draft"]()}, NOW)
    second = proof_page(judged("draft"), {"draft.yaml": TEXTS["draft"]()}, NOW)
    assert first == second == page("draft")


def test_every_page_carries_the_limits_and_the_cautions() -> None:
    for site in TEXTS:
        text = Seen(page(site)).text
        for said in ("emergency calls", "lawful basis", "supervision", "console", "Local law"):
            assert said in text
        for said in ("frames that are not IP", "encrypted tunnel", "beyond the line"):
            assert said in text
