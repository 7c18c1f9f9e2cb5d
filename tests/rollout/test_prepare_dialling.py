"""A machine judged by lines that are dialled by PPPoE: what is missing, and nothing of a password."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.diagnostics.of_preparing import PREPARING
from netcharter.plan import make_plan
from netcharter.render import render
from netcharter.rollout.prepare import Preparation, Wanted, asked, facts_of, prepare
from netcharter.rollout.preparing import accounts
from netcharter.rollout.preparing.accounts import Accounts, names_in
from netcharter.rollout.preparing.shapes import Found
from netcharter.rollout.run.gathering import gather
from netcharter.tasks.preparing import wanted_of
from tests.rollout.machine import CONFIG, DPKG, RELEASE, answers, link, said

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  fibre: {device: eth0, pppoe: {as: site@isp.example}}
areas:
  hall: {device: eth2, hosts: 5}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
CHAP, PAP = accounts.FILES
KNOWN = {CHAP: Accounts(frozenset({"site@isp.example"}), False)}
OTHERS = DPKG + b"".join(
    f"{name}\t1\tinstalled\n".encode() for name in ("dnsmasq-base", "dns-root-data", "unbound")
)
PASSWORD = "correct horse"


@pytest.fixture(scope="module")
def want() -> Wanted:
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    return wanted_of(charter, render(make_plan(charter)).files)


def judged(
    want: Wanted,
    known: Mapping[str, Accounts] = KNOWN,
    files: Mapping[str, bytes | None] | None = None,
    packages: bytes = OTHERS + b"ppp\t2.4.9\tinstalled\n",
    config: str = CONFIG,
) -> Preparation:
    held = {**want.placed, f"/boot/config-{RELEASE}": config.encode(), **(files or {})}
    found = answers(
        link("eth0"), link("eth2"), files=held, said={("dpkg-query", "-W"): said(packages)}
    )
    return prepare(want, facts_of(replace(found, accounts=known)))


def about_dialling(preparation: Preparation) -> list[Found]:
    return [one for one in preparation.findings if one.id != "console-at-hand"]


def only(preparation: Preparation) -> Found:
    (one,) = about_dialling(preparation)
    assert one.id in PREPARING
    return one


def test_where_everything_is_there_nothing_is_told(want: Wanted) -> None:
    """No client is missed on the device either: the session brings the address."""
    assert about_dialling(judged(want)) == []


def test_the_package_and_the_kernel_s_part_are_named(want: Wanted) -> None:
    lacking = CONFIG.replace("CONFIG_PPPOE=m", "# CONFIG_PPPOE is not set")
    assert only(judged(want, packages=OTHERS)).message == (
        "the package ppp is not installed; it dials by PPPoE"
    )
    assert "PPPoE sessions (CONFIG_PPPOE)" in only(judged(want, config=lacking)).message


@pytest.mark.parametrize("known", [{}, {CHAP: Accounts(frozenset({"other"}), False)}])
def test_a_name_without_password_is_told(want: Wanted, known: Mapping[str, Accounts]) -> None:
    one = only(judged(want, known))
    assert (one.id, one.severity) == ("pppoe-password-missing", "error")
    assert "site@isp.example" in one.message and CHAP in one.help


def test_one_for_whoever_dials_counts_and_so_does_the_other_file(want: Wanted) -> None:
    assert not about_dialling(judged(want, {PAP: Accounts(frozenset({"*"}), False)}))
    assert not about_dialling(judged(want, {PAP: KNOWN[CHAP], CHAP: Accounts(frozenset(), False)}))


def test_files_that_can_not_be_read_are_no_mistake(want: Wanted) -> None:
    one = only(judged(want, {CHAP: Accounts(None, False)}))
    assert (one.id, one.severity) == ("pppoe-password-unknown", "note")


def test_passwords_that_others_may_read_are_one(want: Wanted) -> None:
    one = only(judged(want, {CHAP: replace(KNOWN[CHAP], open=True)}))
    assert (one.id, one.severity, one.about) == ("pppoe-password-open", "error", CHAP)


def test_what_enact_places_is_not_missed_and_never_put_over_another_s(want: Wanted) -> None:
    assert len(want.placed) > 4
    for path, data in want.placed.items():
        assert not about_dialling(judged(want, files={path: None}))
        assert not about_dialling(judged(want, files={path: data + b"# more\n"}))
        theirs = only(judged(want, files={path: b"#!/bin/sh\n# of another\n# Netcharter: \n"}))
        assert (theirs.id, theirs.severity) == ("file-of-another", "error")
        assert path in theirs.message and not theirs.files


def test_who_dials_nothing_is_asked_for_no_secrets() -> None:
    assert asked().accounts == () == asked(placed=["/etc/x"]).accounts
    assert asked(placed=["/etc/ppp/peers/x"]).accounts == accounts.FILES


# --- names, and nothing else ---------------------------------------------------------------------

SECRETS = f"""\
# a remark, site@isp.example in it
"site@isp.example" * "{PASSWORD}" *
  plain\t*\t{PASSWORD.replace(" ", "")}
'two words' * x
a\\"b\\\\c * "x # y"
"#hash" * x

*  *  ""
"unended * {PASSWORD}
"""


def test_names_are_read_as_pppd_reads_words() -> None:
    """pppd(8): quotes hold a word together, a backslash quotes the next character."""
    found = names_in(SECRETS.encode())
    assert found == {
        "site@isp.example", "plain", "two words", 'a"b\\c', "#hash", "*",
        f"unended * {PASSWORD}",
    }  # fmt: skip


def test_whatever_stands_there_it_is_read(tmp_path: Path) -> None:
    for data in (b"", b"\0\xff\xfe", b'"', b"\\", b"'", b"\n" * 20_000, b"a" * 100_000):
        assert isinstance(names_in(data), frozenset)


def test_a_password_goes_nowhere(tmp_path: Path, want: Wanted) -> None:
    """From the file on this machine to the last line that is printed."""
    (tmp_path / "etc/ppp").mkdir(parents=True)
    secrets = tmp_path / CHAP.lstrip("/")
    secrets.write_text(f'"site@isp.example" * "{PASSWORD}"\n')
    secrets.chmod(0o640)
    request = replace(asked(placed=want.placed), runs=())
    found = gather(request, str(tmp_path))
    assert found.accounts[CHAP] == Accounts(frozenset({"site@isp.example"}), True)
    preparation = prepare(want, facts_of(found))
    assert "pppoe-password-open" in {one.id for one in preparation.findings}
    told = json.dumps(preparation.as_json()) + "\n".join(preparation.lines())
    assert PASSWORD not in told + repr(found) + repr(facts_of(found))


def test_a_file_for_root_alone_is_as_it_should_be(tmp_path: Path, want: Wanted) -> None:
    if os.geteuid() != 0:
        pytest.skip("whose file it is can be told by root only")
    (tmp_path / "etc/ppp").mkdir(parents=True)
    secrets = tmp_path / PAP.lstrip("/")
    secrets.write_text("x * y\n")
    secrets.chmod(0o600)
    found = gather(replace(asked(placed=want.placed), runs=()), str(tmp_path))
    assert found.accounts == {PAP: Accounts(frozenset({"x"}), False)}
