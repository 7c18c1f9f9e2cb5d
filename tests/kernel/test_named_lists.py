"""Lists as a real dnsdist sees them: what is listed is withheld, whatever is asked of it."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from netcharter.plan.names.entries import ITSELF, Entries
from netcharter.plan.names.lookup import compiled
from netcharter.plan.names.reading import read
from netcharter.render.cdb import STORES, laid_out
from tests.conftest import ROOT
from tests.kernel import answering
from tests.kernel.namespace import LIMIT, needed

POLICY = """\
games.test CNAME .
*.games.test CNAME .
*.school.games.test CNAME rpz-passthru.
bad.school.games.test CNAME .
*.bad.school.games.test CNAME .
*.only-below.test CNAME .
deep.only-below.test CNAME rpz-passthru.
alone.test CNAME .
"""
TYPES = ("A", "AAAA", "HTTPS", "SVCB", "ANY", "TXT", "TYPE65280")


def _programs() -> str:
    cdb, dnsdist = answering.program("cdb"), answering.program("dnsdist")
    if cdb is None or dnsdist is None:
        pytest.skip("NO LIST WAS LOOKED UP: no dnsdist and cdb here (tools/setup test)")
    return cdb


def _answers(folder: Path, questions: list[tuple[str, str]]) -> list[str]:
    done = subprocess.run(
        [*needed(), sys.executable, "-m", "tests.kernel.answering", str(folder)],
        input=json.dumps(questions).encode(),
        capture_output=True,
        check=False,
        timeout=LIMIT,
        cwd=ROOT,
    )
    assert done.returncode == 0, done.stderr.decode() + (folder / "dnsdist.log").read_text()
    found: list[str] = json.loads(done.stdout)
    return found


def _set_up(folder: Path, lists: dict[str, Entries]) -> None:
    cdb = _programs()
    for name, entries in lists.items():
        answering.build(entries, folder / name, cdb)
    text = answering.settings([folder / name for name in lists])
    (folder / "dnsdist.conf").write_text(text, "ascii")


def test_dnsdist_withholds_what_the_lists_list_and_nothing_else(tmp_path: Path) -> None:
    lists = {
        "plain": read([b"bets.test\nxn--bcher-kva.test\n_under.score.test\n"]).entries,
        "hosts": read([b"0.0.0.0 x.test www.y.test\n"]).entries,
        'odd "name"; -- \u00fc': Entries.of(["odd.test"], ITSELF),
        "policy": read([POLICY.encode()]).entries,
        "empty": Entries.of([]),
    }
    _set_up(tmp_path, lists)
    withheld = (
        "bets.test www.bets.test a.b.c.bets.test BeTs.TesT xn--bcher-kva.test _under.score.test"
        " x.test www.y.test odd.test games.test x.games.test school.games.test"
        " bad.school.games.test x.bad.school.games.test x.only-below.test x.deep.only-below.test"
        " alone.test"
    ).split()
    answered = (
        "test bets.test.other notbets.test score.test www.x.test y.test x.www.y.test www.odd.test"
        " x.school.games.test only-below.test deep.only-below.test x.alone.test"
    ).split()
    questions = [(name, type) for name in withheld + answered for type in TYPES]
    found = dict(zip(questions, _answers(tmp_path, questions), strict=True))
    assert found == {
        (name, type): "NXDOMAIN" if name in withheld else "NOERROR" for name, type in questions
    }
    lookup = compiled(lists)
    assert all(lookup.find(name.lower()) for name in withheld)
    assert not any(lookup.find(name.lower()) for name in answered)


def test_dnsdist_and_the_plan_agree_on_random_lists(tmp_path: Path) -> None:
    """Every kind of entry, exceptions as deep as the stores go; each list below a name of its own."""
    chance = random.Random("lists")
    names = [".".join(chance.choices("abc", k=depth)) for depth in (1, 2, 3, 4) * 10]
    lists = {}
    for number in range(12):
        lines = [
            f"{chance.choice(('', '*.'))}{name}.l{number} CNAME {chance.choice('...p')}"
            for name in chance.sample(names, 12)
        ]
        text = "\n".join(lines).replace("CNAME p", "CNAME rpz-passthru.")
        lists[f"list-{number}"] = read([text.encode()], "response-policy").entries
    _set_up(tmp_path, lists)
    questions = [(f"{name}.{end}", "A") for name in sorted(set(names)) for end in _ends(lists)]
    lookup = compiled(lists)
    expected = ["NXDOMAIN" if lookup.find(q) else "NOERROR" for q, _ in questions]
    assert 90 < expected.count("NXDOMAIN") < len(expected) - 90
    assert _answers(tmp_path, questions) == expected


def _ends(lists: Iterable[str]) -> list[str]:
    return [name.replace("list-", "l") for name in lists]


def test_its_own_checker_takes_the_settings(tmp_path: Path) -> None:
    _set_up(tmp_path, {"it's": Entries.of(["bets.test"])})
    command = [answering.program("dnsdist") or "", "--check-config", "-C"]
    text = (tmp_path / "dnsdist.conf").read_text("ascii")
    for settings, code in ((text, 0), (text + "nonsense(\n", 1)):
        (tmp_path / "tried.conf").write_text(settings, "ascii")
        done = subprocess.run(
            [*command, str(tmp_path / "tried.conf")], capture_output=True, timeout=60, check=False
        )
        assert done.returncode == code, done.stderr


def test_records_are_what_cdb_reads_back(tmp_path: Path) -> None:
    """`cdb -d` writes what it finds in a file in the form that `cdb -c` reads."""
    cdb = _programs()
    entries = read([b"bets.test\nb.bets.test\nbets.test\n"]).entries
    answering.build(entries, tmp_path, cdb)
    dumped = subprocess.run(
        [cdb, "-d", str(tmp_path / "below.cdb")], capture_output=True, check=True, timeout=60
    ).stdout
    assert dumped == b"+11,1:\x04bets\x04test\0->1\n+13,1:\x01b\x04bets\x04test\0->2\n\n"
    assert dumped == b"".join(laid_out(entries).records("below"))
    assert [b"".join(laid_out(entries).records(store)) for store in STORES if store != "below"] == [
        b"\n"
    ] * 4
