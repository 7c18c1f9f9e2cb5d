"""`check` on whole charters: what reading, planning and proving say together, in the end as text."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.report.limits import CAUTIONS, LIMITS
from netcharter.tasks.check import Checked, check, page_of
from netcharter.tasks.check_text import summary
from netcharter.tasks.sources import Source, Unusable
from tests.proofs.sites import charter, marked

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow"


def checked(text: str, name: str = "hut.yaml") -> Checked:
    return check(Source(name, text.encode()), NOW)


def demo(name: str) -> Checked:
    return check(Source(name, (DEMO / name).read_bytes()), NOW)


def test_the_mended_charter_is_all_proven() -> None:
    found = demo("charter.yaml")
    assert found.ok and found.as_json()["ok"] is True
    assert all(promise["holds"] for promise in found.as_json()["promises"])
    assert found.as_json()["counts"]["errors"] == 0


def test_the_first_draft_opens_the_tills_and_the_connection_is_shown() -> None:
    found = demo("first-draft.yaml")
    assert not found.ok
    first = found.findings[0]
    assert (first.id, first.severity) == ("promise-broken", "error")
    assert "'never: bunkrooms, reach: tills' does not hold" in first.message
    assert first.witness is not None
    assert "in bunkrooms at 10.73." in first.witness
    assert "asks till-1 (10.73." in first.witness and "let by rule 4" in first.witness
    text = (DEMO / "first-draft.yaml").read_text().splitlines()
    assert text[first.span.line - 1][first.span.column - 1 :].startswith("bunkrooms")
    ((place, words),) = first.related
    assert words == "rule 4 decides it"
    assert text[place.line - 1].lstrip().startswith("- let: [office, bunkrooms]")


def test_findings_stand_in_the_order_of_their_weight_and_place() -> None:
    found = [*demo("first-draft.yaml").proof.findings]
    weight = {"error": 0, "warning": 1, "note": 2}
    assert found == sorted(found, key=lambda d: (weight[d.severity], d.span))
    assert len({(d.id, d.span, d.message) for d in found}) == len(found)


def test_the_summary_tells_each_promise_the_counts_and_the_limits() -> None:
    lines = list(summary(demo("charter.yaml")))
    assert "proven  never: bunkrooms, reach: tills" in lines
    assert any("the gateway's resolver and the sign-in gate" in line for line in lines)
    rest = lines[lines.index("limits of what is proven:") - 1 :]
    assert rest[0].startswith("10 promises, 0 broken; 0 errors, ")
    said = " ".join(" ".join(rest).split())
    for text in (*LIMITS, CAUTIONS["monitoring"], CAUTIONS["emergency"]):
        assert text in said
    assert any(line.startswith("BROKEN ") for line in summary(demo("first-draft.yaml")))


def test_the_management_path_is_told_as_a_promise_of_its_own() -> None:
    lines = list(summary(checked(charter())))
    for name in ("desk", "spare"):
        line = f"proven  always: {name}, reach: gateway, with: ssh  (the management path)"
        assert line in lines


def test_a_written_promise_of_the_management_path_is_told_once() -> None:
    text = charter(promises="\n  - {always: desk, reach: gateway, with: ssh, because: b}\n")
    every = checked(text).as_json()["promises"]
    told = [p["text"] for p in every if p["about"] in (None, "the management path")]
    assert sorted(told) == [
        "always: desk, reach: gateway, with: ssh",
        "always: spare, reach: gateway, with: ssh",
    ]


AREAS = "\n  home: {device: eth1, hosts: 12}\n  club: {device: eth3, hosts: 9, sign-in: required}\n"
PLANNING: tuple[tuple[str, dict[str, str], dict[str, str]], ...] = (
    (
        "area-overlap",
        {"areas": AREAS + "  yard: {device: eth2, prefix: 10.1.0.0/24}\n"
         "  hall: {device: eth4, prefix: ⟦10.1.0.128/25⟧}\n"},
        {"areas": AREAS + "  yard: {device: eth2, prefix: 10.1.0.0/25}\n"
         "  hall: {device: eth4, prefix: 10.1.0.128/25}\n"},
    ),
    (
        "area-too-small",
        {"areas": AREAS + "  yard: {device: eth2, prefix: ⟦10.1.0.0/28⟧, hosts: 14}\n"},
        {"areas": AREAS + "  yard: {device: eth2, prefix: 10.1.0.0/28, hosts: 13}\n"},
    ),
    (
        "address-outside-area",
        {"areas": AREAS + "  yard: {device: eth2, prefix: 10.1.0.0/28}\n",
         "devices": "\n  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}\n"
         "  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}\n"
         "  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: ⟦10.1.0.16⟧}\n"},
        {"areas": AREAS + "  yard: {device: eth2, prefix: 10.1.0.0/28}\n",
         "devices": "\n  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}\n"
         "  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}\n"
         "  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: 10.1.0.14}\n"},
    ),
)  # fmt: skip


@pytest.mark.parametrize(("ident", "shows", "spares"), PLANNING, ids=[p[0] for p in PLANNING])
def test_what_planning_finds_is_told_with_the_rest(
    ident: str, shows: dict[str, str], spares: dict[str, str]
) -> None:
    text, span = marked(charter(**shows))
    assert span is not None
    mine = [d for d in checked(text).findings if d.id == ident]
    assert mine and not checked(text).ok
    assert span in {d.span for d in mine}
    assert not [d for d in checked(charter(**spares)).findings if d.id == ident]


def test_what_is_doubtful_in_the_text_is_told_once() -> None:
    found = demo("first-draft.yaml")
    assert len(found.findings) == len({(d.id, d.span, d.message) for d in found.findings})


def test_a_text_that_is_no_charter_is_unusable() -> None:
    for text in ("", "charter: 2\n", "charter: 1\nsite: {name: x}\n"):
        with pytest.raises(Unusable) as wrong:
            checked(text)
        assert wrong.value.diagnostics and wrong.value.texts == {"hut.yaml": text}
        assert wrong.value.as_json()["ok"] is False


def test_the_same_charter_at_the_same_moment_is_judged_the_same() -> None:
    assert demo("charter.yaml").as_json() == demo("charter.yaml").as_json()


def test_the_page_tells_what_the_terminal_tells() -> None:
    found = demo("first-draft.yaml")
    page = page_of(found, NOW)
    assert page.count("<html") == 1
    for result in found.proof.promises:
        assert result.text.split(",")[0] in page
    assert "<script" not in page
