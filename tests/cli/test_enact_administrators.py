"""What another administrator does while a charter is judged or on trial, by the real commands on a
gateway: another version is kept, rules are flushed, an enact is killed, undos meet.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from netcharter.tasks.enacting.acts import WATCH
from tests.cli.gateway import CHARTER, HURRY, LIMIT, Gateway, Ran, gateway, unordered
from tests.docs.shapes import breaches, shapes

pytestmark = pytest.mark.kernel

ROOT = Path(__file__).parents[2]
SHAPES = shapes((ROOT / "docs/reference/json.md").read_text(encoding="utf-8"))
LESS = CHARTER.replace("[http, https]", "https")
OTHER = CHARTER.replace("[http, https]", "http")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway with a version that is kept, the desk's conversation, and two other charters."""
    with gateway(tmp_path_factory.mktemp("gateway")) as found:
        found.kept()
        found.logged_in()
        found.write("less.yaml", LESS)
        found.write("other.yaml", OTHER)
        yield found


def done(ran: Ran, shape: str | None = None, code: int = 0) -> dict[str, Any]:
    assert ran.code == code and "Traceback" not in ran.told, ran.told[:600]
    found = ran.json()
    assert shape is None or list(breaches(found, shape, SHAPES)) == []
    return found


def kept(place: Gateway) -> str:
    return Path(place.folder, "state/kept").readlink().name


def asked(place: Gateway, charter: str) -> subprocess.Popen[str]:
    """An enact that has judged, and asks whether to go on."""
    words = [sys.executable, "-m", "netcharter", "enact", charter, *HURRY[1:], "--state", "state"]
    process = subprocess.Popen(
        [*place.bench.way, *words, "--json"],
        cwd=place.folder,
        env=place.environment({}),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    seen = ""
    while "trial?" not in seen:
        more = process.stderr.read(1)
        assert more, seen
        seen += more
    return process


def answered(process: subprocess.Popen[str], answer: str) -> Ran:
    try:
        out, err = process.communicate(answer, timeout=LIMIT)
    finally:
        process.kill()
    return Ran(process.returncode, out, err)


@pytest.mark.parametrize("answer", ["n\n", ""], ids=["no", "nothing"])
def test_who_says_no_gets_a_document_too(good: Gateway, answer: str) -> None:
    before = good.look()
    ran = answered(asked(good, "less.yaml"), answer)
    found = ran.json()
    assert list(breaches(found, "enact", SHAPES)) == []
    assert (found["ok"], found["state"], found["version"]) == (False, "declined", None)
    assert ran.code in (1, 130) and good.look() == before


def test_what_was_judged_against_another_version_is_refused(good: Gateway) -> None:
    process = asked(good, "less.yaml")
    done(good.run("enact", "other.yaml", *HURRY, SUDO_USER="skye"), "enact")
    done(good.run("keep"), "keep")
    before = good.look()
    found = done(answered(process, "y\n"), code=2)
    assert "version 2 was kept meanwhile; this was judged against version 1" in found["reason"]
    assert good.look() == before


def test_going_back_tells_what_it_changes_and_leads_forth_again(good: Gateway) -> None:
    stood = kept(good)
    found = done(good.run("undo", "1"), "undo")
    assert found["version"] == 1 and "connections" in found["difference"]
    done(good.run("keep"), "keep")
    found = done(good.run("undo"), "undo")
    assert found["version"] == int(stood), "what stood just before"
    done(good.run("keep"), "keep")
    events = done(good.run("undo", "--history"), "history")["events"]
    told = [one["difference"] for one in events if one["what"] == "enacted"]
    assert told[-1] == found["difference"]


def test_what_somebody_flushed_during_the_trial_is_not_kept(good: Gateway) -> None:
    before, stood = good.look(), kept(good)
    done(good.run("enact", "less.yaml", *HURRY), "enact")
    good.bench.shell("nft flush chain inet netcharter nc_forward")
    reason = done(good.run("keep"), code=2)["reason"]
    assert "no longer in place as planned" in reason and "table inet netcharter: " in reason
    assert kept(good) == stood
    done(good.run("undo"), "undo")
    assert unordered(good.look()) == unordered(before)

    done(good.run("enact", "less.yaml", *HURRY), "enact")
    good.bench.shell("ip address add 10.7.1.9/28 dev eth5")
    assert "10.7.1.9/28" in done(good.run("keep"), code=2)["reason"]
    good.bench.shell("ip address del 10.7.1.9/28 dev eth5")
    done(good.run("keep"), "keep")
    done(good.run("undo"), "undo")
    done(good.run("keep"), "keep")
    assert unordered(good.look()) == unordered(before) and kept(good) == stood


@pytest.mark.parametrize(
    "words", [("enact", "less.yaml", *HURRY), ("boot",), ("undo", "0")], ids=lambda words: words[0]
)
def test_what_a_killed_enact_left_is_none_of_others_and_goes(
    good: Gateway, words: tuple[str, ...]
) -> None:
    """The table for which the kernel tracks a session that is open."""
    good.write("watch.nft", WATCH)
    good.bench.shell(f"nft -f {good.folder}/watch.nft")
    assert "netcharter_watch" in good.look()
    assert done(good.run("holds"), "holds")["ok"]
    told = good.run("enact", "less.yaml", "--prepare").json()
    assert "netcharter_watch" not in json.dumps(told)
    done(good.run(*words))
    assert "netcharter_watch" not in good.look()
    if words[0] != "boot":
        done(good.run("undo"), "undo")


def test_of_undos_in_the_same_moment_none_fails_another(tmp_path: Path) -> None:
    with gateway(tmp_path) as stock:
        stock.kept()
        stock.write("less.yaml", LESS)
        done(stock.run("enact", "less.yaml", *HURRY), "enact")
        with ThreadPoolExecutor(6) as pool:
            several = [one.result() for one in [pool.submit(stock.run, "undo") for _ in range(6)]]
        for ran in several:
            said = ran.json().get("reason", "")
            assert "Traceback" not in ran.told and "No such file" not in ran.told
            assert ran.code == 0 or "is on trial" in said or "is changing" in said, ran.told


def test_from_any_version_one_comes_to_the_machine_without_any(tmp_path: Path) -> None:
    """What the first version took from a device that the second no longer names comes back too."""
    barn = "  barn: {device: eth5, prefix: 10.7.1.0/28}\n"
    with gateway(tmp_path) as stock:
        stock.bench.shell("ip address add 192.0.2.77/24 dev eth5")
        before = stock.look()
        stock.kept()
        assert "192.0.2.77" not in stock.look() and barn in CHARTER
        stock.kept(CHARTER.replace(barn, ""))
        assert "eth5" not in stock.bench.shell("ip -o -4 address show")
        found = done(stock.run("undo", "0"), "undo")
        assert (found["state"], found["version"], found["notes"]) == ("waiting", 0, [])
        assert unordered(stock.look()) == unordered(before)
        done(stock.run("undo"), "undo")
        assert done(stock.run("holds"), "holds")["ok"]
        done(stock.run("undo", "0"), "undo")
        assert done(stock.run("keep"), "keep")["version"] == 0
        assert unordered(stock.look()) == unordered(before)
        assert done(stock.run("undo"), "undo")["version"] == 2
