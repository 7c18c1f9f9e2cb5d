"""`--learnt LINE=PREFIX`: a charter judged as if a provider had delegated that."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from netcharter.tasks.keeping import kept_areas
from tests.cli.running import run

TEXT = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  copper: {device: eth0, address: automatic, prefix: delegated}
  mast: {device: eth1, address: automatic}
areas:
  home: {device: eth2, hosts: 12}
  yard: {device: eth3, hosts: 12}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
  shop: {area: yard, hardware: 02:00:00:aa:00:02, address: lasting}
rules:
  - {let: home, reach: internet, with: https, because: daily work}
offers:
  - {offer: https, on: copper, to: shop}
promises:
  - {never: home, reach: shop, except: offers}
"""
PREFIX = "2a00:c00:7700::/56"


@pytest.fixture
def hut(tmp_path: Path) -> Path:
    (tmp_path / "hut.yaml").write_text(TEXT)
    (tmp_path / "old.yaml").write_text(TEXT.replace("delegated", '"2a00:c00:1200::/56"'))
    return tmp_path / "hut.yaml"


def test_what_stands_in_is_told_and_goes_where_a_prefix_is_said(hut: Path) -> None:
    unknown, known = run("show", hut), run("show", hut, "--learnt", f"copper={PREFIX}")
    assert "stands in until the provider's prefix is known" in " ".join(unknown.out.split())
    assert "stands in" not in known.out and PREFIX in known.out and "delegated" in known.out
    checked = run("check", hut, "--json").json
    assert checked["ok"] and "prefix-stands-in" in [one["id"] for one in checked["findings"]]


def test_the_question_is_answered_with_what_was_said(hut: Path) -> None:
    found = run(
        "why",
        hut,
        "--from",
        "internet",
        "--to",
        "shop",
        "--with",
        "https",
        "--learnt",
        f"copper={PREFIX}",
        "--json",
    )
    asked = run("ask", hut, "who can reach shop", "--learnt", f"copper={PREFIX}", "--json")
    assert found.code == 0 and asked.code == 0
    assert any(row["decided_by"] == "offer 1 (IPv6)" for row in asked.json["rows"])
    refused = run("check", hut, "--learnt", "copper=2001:db8::/56")
    assert refused.code == 1 and "(delegated-prefix-refused)" in refused.err + refused.out


def test_a_kit_has_what_was_said_and_no_stand_in_and_hands_it_on(hut: Path, tmp_path: Path) -> None:
    for folder, said, has in (("a", (), None), ("b", ("--learnt", f"copper={PREFIX}"), PREFIX)):
        assert run("render", hut, "-o", tmp_path / folder, *said).code == 0
        manifest = (tmp_path / folder / "manifest.json").read_bytes()
        assert json.loads(manifest)["delegated"] == {"copper": has}
        routes = (tmp_path / folder / "routes6.batch").read_text()
        assert (PREFIX in routes) == (has is not None) and "3fff" not in routes
        assert "3fff" not in (tmp_path / folder / "addresses.batch").read_text()
        kept = kept_areas(folder, manifest)
        assert list(map(str, kept.delegated.values())) == ([has] if has else [])
    assert PREFIX in run("show", hut, "--keep", tmp_path / "b").out


def test_two_charters_are_compared_with_it(hut: Path) -> None:
    found = run("compare", hut.parent / "old.yaml", hut, "--learnt", "copper=2a00:c00:1200::/56")
    assert found.code == 0
    assert run("compare", hut, hut.parent / "old.yaml").code == 1


@pytest.mark.parametrize(
    ("said", "instead"),
    [
        ("cooper=2a00:c00::/56", "say copper"),
        ("mast=2a00:c00::/56", "prefix: delegated"),
        ("copper=2a00:c00::", "2001:db8:7a00::/56"),
        ("copper=2a00:c00::1/56", "2001:db8:7a00::/56"),
        ("copper", "2001:db8:7a00::/56"),
        ("copper=10.0.0.0/8", "2001:db8:7a00::/56"),
        ("copper=\x1b[31m/56", "2001:db8:7a00::/56"),
    ],
)
def test_what_is_no_line_and_prefix_is_told_with_what_to_write(
    hut: Path, said: str, instead: str
) -> None:
    found = run("check", hut, "--learnt", said)
    assert found.code == 2 and "(learnt-prefix-unusable)" in found.err
    assert instead in found.err and "\x1b" not in found.err


def test_the_same_line_twice_is_told(hut: Path) -> None:
    twice = ("--learnt", f"copper={PREFIX}") * 2
    assert "said twice" in run("check", hut, *twice).err


def test_why_tells_for_what_an_address_stands_that_a_translator_leads_from(hut: Path) -> None:
    """RFC 6052 section 2.2: the last 32 bits of 64:ff9b::909:909 are 9.9.9.9."""
    text = hut.read_text().replace(
        "prefix: delegated", "prefix: delegated, translator: '64:ff9b::/96'"
    )
    assert text != hut.read_text()
    hut.write_text(
        text + "lists: {seen: {of: addresses, entries: [9.9.9.0/24]}}\nhostile: {lists: seen}\n"
    )
    ran = run("why", hut, "--from", "shop", "--to", "64:ff9b::9.9.9.9", "--with", "https")
    told = " ".join(ran.out.split())
    assert "64:ff9b::909:909 stands for 9.9.9.9 (RFC 6052)" in told
    assert "the list seen names it in line 1: 9.9.9.0/24" in told


def test_a_list_holds_what_a_file_holds_that_is_said(hut: Path, tmp_path: Path) -> None:
    listed = 'lists:\n  seen: {of: addresses, from: "https://lists.example/seen"}\nhostile: {lists: seen}\n'
    hut.write_text(hut.read_text() + listed)
    file = tmp_path / "seen.txt"
    file.write_text("# of today\n9.9.9.0/24\n")
    asked = ("why", hut, "--from", "shop", "--to", "9.9.9.9", "--with", "https")
    unknown, known = run(*asked), run(*asked, "--learnt", f"seen={file}")
    assert "names it in line" not in unknown.out
    assert "the list seen names it in line 2: 9.9.9.0/24" in " ".join(known.out.split())
    assert "(list-unknown)" in (told := run("check", hut)).out + told.err
    for wrong in (f"seen={tmp_path / 'none'}", "seen=", "sean=x"):
        found = run("check", hut, "--learnt", wrong)
        assert found.code == 2 and "learnt-prefix-unusable" in found.err + found.out
