"""What commands print with --json is what docs/reference/json.md says: every key, nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.running import CHARTER, DRAFT, WHEN, run
from tests.docs.shapes import Shapes, breaches, shapes

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
OFFERED = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines:
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  home: {device: eth1, hosts: 12}
  club: {device: eth2, hosts: 12, sign-in: required}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting, barred: true}
people:
  rowan: {}
offers:
  - {offer: https, on: dsl, to: desk}
promises:
  - {never: internet, reach: home}
  - {always: internet, reach: desk, with: ssh}
  - {never: rowan, reach: internet}
"""


@pytest.fixture(scope="module")
def known() -> Shapes:
    return shapes(PAGE.read_text("utf-8"))


@pytest.fixture
def small(tmp_path: Path) -> Path:
    path = tmp_path / "small.yaml"
    path.write_text(OFFERED)
    return path


def test_the_page_tells_every_shape(known: Shapes) -> None:
    assert {"unusable", "check", "ask", "why", "compare", "render"} <= known.keys()
    assert list(known["check"]) == [
        "ok", "findings", "promises", "exposure", "line_states", "counts", "limits", "cautions"
    ]  # fmt: skip
    assert known["why"]["steps"] == "as in a story"
    assert known["connection"]["manner"].startswith("`reset`")


CALLS: tuple[tuple[str, tuple[str | Path, ...]], ...] = (
    ("check", ("check", CHARTER, "--as-of", WHEN)),
    ("check", ("check", DRAFT)),
    ("ask", ("ask", CHARTER, "who can reach booking")),
    ("ask", ("ask", CHARTER, "what can anyone reach", "--at", "Tue 21:30")),
    ("ask", ("ask", CHARTER, "can cameras reach internet")),
    ("ask", ("ask", CHARTER, "can office look up booking.home.arpa")),
    ("why", ("why", CHARTER, "--from", "office", "--to", "example.org", "--with", "https")),
    ("why", ("why", CHARTER, "--from", "internet", "--to", "booking", "--with", "https")),
    ("why-name", ("why", CHARTER, "--from", "office", "--name", "booking.home.arpa")),
    ("compare", ("compare", DRAFT, CHARTER)),
    ("compare", ("compare", CHARTER, CHARTER)),
    ("show-hours", ("show", CHARTER, "--hours", "--as-of", WHEN)),
    ("show-around", ("show", CHARTER, "--around", "--as-of", WHEN)),
    ("unusable", ("check", "none.yaml")),
    ("unusable", ("ask", CHARTER, "open sesame")),
    ("unusable", ("ask", CHARTER, "who can reach booking", "--at", "soon")),
    ("unusable", ("why", CHARTER, "--from", "x", "--to", "booking", "--with", "https")),
    ("unusable", ("compare", CHARTER, "none.yaml")),
    ("unusable", ("show", "none.yaml")),
    ("unusable", ("render", "none.yaml", "-o", "never-written")),
)


@pytest.mark.parametrize(("shape", "call"), CALLS, ids=[str(n) for n, _ in enumerate(CALLS)])
def test_a_document_has_the_shape_the_page_tells(
    shape: str, call: tuple[str | Path, ...], known: Shapes
) -> None:
    found = run(*call, "--json").json
    assert list(breaches(found, shape, known)) == []


def test_findings_promises_and_changes_of_all_kinds_have_their_shapes(
    small: Path, tmp_path: Path, known: Shapes
) -> None:
    found = run("check", small, "--json", "--as-of", WHEN).json
    assert list(breaches(found, "check", known)) == []
    assert {f["severity"] for f in found["findings"]} == {"error", "note"}
    delivered = [p["connection"]["delivered"] for p in found["promises"] if p["connection"]]
    assert any(delivered)
    assert any(p["connection"] is None and p["witness"] for p in found["promises"])
    assert {p["written"] for p in found["promises"]} == {True, False}
    other = tmp_path / "other.yaml"
    other.write_text(
        OFFERED.replace("club", "team")
        .replace("offer: https", "offer: ssh")
        .replace("eth1, hosts: 12", "eth1, hosts: 12, manner: quietly")
    )
    changed = run("compare", small, other, "--json").json
    assert list(breaches(changed, "compare", known)) == []
    assert all(changed[kind] for kind in ("opened", "closed", "altered"))
    fates = {row[side]["outcome"] for kind in ("opened", "closed", "altered")
             for row in changed[kind] for side in ("before", "after")}  # fmt: skip
    assert any(f.startswith("let, delivered to ") for f in fates) and "absent" in fates


def test_a_kit_has_the_shape_the_page_tells(tmp_path: Path, known: Shapes) -> None:
    found = run("render", CHARTER, "-o", tmp_path / "kit", "--json").json
    assert list(breaches(found, "render", known)) == []


def test_the_page_is_really_compared(known: Shapes) -> None:
    found = run("check", DRAFT, "--json").json
    del found["findings"][0]["span"]["column"]
    found["extra"] = 1
    found["promises"][0]["holds"] = "yes"
    found["findings"][0]["severity"] = "dire"
    assert sorted(breaches(found, "check", known)) == [
        "check.findings[0].severity: 'dire' is not one of `error`, `warning` or `note`",
        "check.findings[0].span: no column",
        "check.promises[0].holds: 'yes' is no true or false",
        "check: extra is not told",
    ]
