"""Open conversations decided again by hand, at a gateway of namespaces with a version that is kept."""

from __future__ import annotations

import fcntl
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, COPPER, DESK, FAR, SSH, Gateway, gateway
from tests.docs.shapes import breaches, shapes

pytestmark = pytest.mark.kernel

SHAPES = shapes((Path(__file__).parents[2] / "docs/reference/json.md").read_text(encoding="utf-8"))
TIMED = CHARTER.replace("08:00-16:00", "00:00-24:00").replace(
    "with: [http, https], because", "with: [http, https], during: day, because"
)
OPENED = 'add element inet netcharter nc_open_day { "eth0", "eth2" }'
WEB = 80


@pytest.fixture
def there(tmp_path: Path) -> Iterator[Gateway]:
    """The desk speaks with a web server by hours that never end, and says that it is the session in
    use; the bank speaks with the gateway."""
    with gateway(tmp_path) as found:
        speak(found, TIMED)
        yield found


def speak(found: Gateway, charter: str) -> None:
    found.kept(charter)
    found.far.do("serve", WEB)
    found.bench.shell(f"nft '{OPENED}'")
    _, port = found.desk.do("dial", FAR, WEB, DESK)
    found.session = f"{DESK} {port} {FAR} {WEB}"
    found.far.do("dial", COPPER, SSH, FAR)


def test_what_hours_let_is_cut_once_they_are_closed_and_the_rest_goes_on(there: Gateway) -> None:
    now = there.run("cut", "--spare-none")
    assert now.code == 0, now.told
    assert list(breaches(now.json(), "cut", SHAPES)) == []
    assert (now.json()["counts"]["cut"], now.json()["version"]) == (0, 1)
    told = there.run("cut", "--hours-closed", "--spare-none", "--only-tell").json()
    assert told["state"] == "told" and told["counts"]["cut"] == 1
    assert there.desk.do("say") and there.far.do("say")
    spared = there.run("cut", "--hours-closed").json()
    assert spared["spared"] and spared["counts"]["cut"] == 0
    assert there.desk.do("say")
    done = there.run("cut", "--hours-closed", "--spare-none", as_json=False)
    assert "1 open conversation cut" in done.out, done.told
    assert "desk" in done.out and "http" in done.out
    assert not there.desk.do("say") and there.far.do("say")
    again = there.run("cut", "--hours-closed").json()
    assert list(breaches(again, "cut", SHAPES)) == []
    assert again["counts"]["cut"] == 0 and again["counts"]["kept"] >= 1


def test_what_is_let_finish_goes_on_when_its_hours_are_closed(tmp_path: Path) -> None:
    with gateway(tmp_path) as found:
        speak(found, TIMED.replace('24:00"}', '24:00"}, let-finish: true'))
        ran = found.run("cut", "--hours-closed", "--spare-none")
        counts = ran.json()["counts"]
        assert (counts["cut"], counts["finishing"]) == (0, 1), ran.told
        assert found.desk.do("say")
        told = found.run("cut", "--hours-closed", "--spare-none", "--only-tell", as_json=False)
        assert "1 open conversation left, which may finish" in told.out


def test_while_somebody_changes_the_machine_nothing_is_cut(tmp_path: Path, there: Gateway) -> None:
    at_once = "import netcharter.tasks.enacting.cutting as c; c.PATIENCE = 0.1"
    program = f"{at_once}; from netcharter.cli import main; main()"
    command = [sys.executable, "-c", program, "cut", "--spare-none", "--hours-closed"]
    with open(tmp_path / "state" / "lock", "rb+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        ran = there.bare([*command, "--state", "state", "--json"])
    assert ran.code == 2 and ran.json()["state"] == "refused", ran.told
    assert "changing this host" in ran.json()["reason"]
    assert there.desk.do("say")


def test_where_nothing_is_in_place_nothing_is_cut(tmp_path: Path) -> None:
    with gateway(tmp_path) as found:
        found.logged_in()
        ran = found.run("cut")
        assert ran.code == 0 and ran.json()["state"] == "nothing in place", ran.told
        assert list(breaches(ran.json(), "cut", SHAPES)) == []
        assert not (tmp_path / "state").exists()
        words = found.run("cut", as_json=False)
        assert "nothing was cut" in words.out
        assert found.desk.do("say")
