"""What stands in the way of an enact on a real machine, by the real command: each is a refusal in
words and no traceback, and rules, addresses, routes and settings are as before.

A disk is full or can't be written, a right or a program is missing, nft is another than it should
be, the kernel refuses the transaction, another administrator was first. What is faked is said so.
"""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, HURRY, NFT, Gateway, Ran, faked, gateway, unordered
from tests.kernel.namespace import LIMIT

pytestmark = pytest.mark.kernel

LESS = CHARTER.replace("[http, https]", "https")
ENACT = ("enact", "less.yaml", *HURRY)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway with a version that is kept, the desk's conversation, and a charter that says less."""
    assert Path(NFT).exists() and LESS != CHARTER
    with gateway(tmp_path_factory.mktemp("gateway")) as found:
        found.kept()
        found.logged_in()
        found.write("less.yaml", LESS)
        yield found


def refused(place: Gateway, ran: Ran, *says: str) -> None:
    """It is refused in these words, alone on standard output."""
    assert ran.code == 2, ran.told
    assert "Traceback" not in ran.told
    found = ran.json()
    assert found["ok"] is False
    told = found.get("reason") or " ".join(
        f"{one['message']} {one['help']}" for one in found["diagnostics"]
    )
    for words in says:
        assert words in told
    assert not (place.folder / "state" / "trial").exists()


def command(*words: str, state: str = "state") -> list[str]:
    return [sys.executable, "-m", "netcharter", *words, "--state", state, "--json"]


# --- rights and programs ------------------------------------------------------------------------


@pytest.mark.parametrize("words", [ENACT, ("keep",), ("undo", "1")], ids=lambda words: words[0])
def test_who_may_not_change_the_network_is_told_so(good: Gateway, words: tuple[str, ...]) -> None:
    """Without CAP_NET_ADMIN (capabilities(7)); setpriv(1) takes it away."""
    before = good.look()
    without = ["setpriv", "--bounding-set", "-net_admin", "--inh-caps", "-net_admin"]
    ran = good.bare([*without, *command(*words)])
    assert good.look() == before
    if words == ("keep",):
        refused(good, ran, "nothing is on trial")
    else:
        refused(good, ran, "root")


def test_a_machine_without_nft_is_told_what_to_install(good: Gateway) -> None:
    before = good.look()
    ran = good.run(*ENACT, before=f"touch none; mount --bind none {NFT}")
    assert good.look() == before
    refused(good, ran, "no `nft`", "nftables")


OLDER = """case " $* " in
*" -f "*) echo "/dev/stdin:3:9-16: Error: syntax error, unexpected flags" >&2; exit 1;;
esac"""
NO_JSON = """case " $* " in
*" -j "*) echo "Error: JSON support not compiled-in" >&2; exit 1;;
esac"""
CUT_SHORT = """case " $* " in
*" -j "*) "$real" "$@" | head -c 300; exit 0;;
esac"""


@pytest.mark.parametrize(
    ("name", "first", "says"),
    [
        ("older", OLDER, ("syntax error, unexpected flags", "nothing was changed")),
        ("no-json", NO_JSON, ("JSON support not compiled-in",)),
        ("cut-short", CUT_SHORT, ("the listing ends in the middle of an item",)),
    ],
    ids=["older", "no-json", "cut-short"],
)
def test_another_nft_is_refused_in_its_own_words(
    good: Gateway, name: str, first: str, says: tuple[str, ...]
) -> None:
    """Faked: a program in the place of nft that knows less, or says less."""
    before = good.look()
    ran = good.run(*ENACT, before=faked(good, name, first))
    assert good.look() == before
    refused(good, ran, *says)
    assert [one.name for one in (good.folder / "state" / "versions").iterdir()] == ["0001"]


# It is fine until it counts: a transaction with a table of ours, that is not only checked.
REFUSES = """case " $* " in
*" -c "*) ;;
*" -f "*)
    cat > transaction
    if grep -q "^table inet netcharter " transaction && [ ! -e once ]; then
        touch once
        echo "/dev/stdin:7:1-9: Error: Could not process rule: Operation not supported" >&2
        exit 1
    fi
    exec "$real" "$@" < transaction;;
esac
"""


def test_a_transaction_that_the_kernel_refuses_is_undone_at_once(good: Gateway) -> None:
    """Faked: the words of nft(8) where the kernel lacks what a rule needs."""
    before, file = good.look(), REFUSES.replace("transaction", f"{good.folder}/transaction")
    file = file.replace("once", f"{good.folder}/once")
    ran = good.run(*ENACT, before=faked(good, "refuses", file))
    assert (good.folder / "once").exists(), "it was not come to"
    assert unordered(good.look()) == unordered(before)
    found = ran.json()
    assert (ran.code, found["state"], found["left"]) == (1, "undone", [])
    assert "Could not process rule: Operation not supported" in found["why"]
    assert "Traceback" not in ran.told and not (good.folder / "state" / "trial").exists()
    assert good.desk.do("say")


def test_a_table_that_another_program_owns_is_refused_by_the_kernel(tmp_path: Path) -> None:
    """Real: a table with the flag `owner` (nft(8)) is changed by its own program alone. nft 1.0.6
    can't even list it as JSON: it prints whatever lies in its memory as the flag's name, so that in
    which words it is refused is left open."""
    with gateway(tmp_path) as stock:
        stock.write("charter.yaml", CHARTER)
        other = subprocess.Popen(
            [*stock.bench.way, "nft", "-i"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        try:
            assert other.stdin and other.stdout
            other.stdin.write("add table inet netcharter { flags owner; }\nlist tables\n")
            other.stdin.flush()
            for _ in range(20):
                if "netcharter" in (line := other.stdout.readline()) and "add" not in line:
                    break
            before = stock.look()
            assert "table inet netcharter" in before
            ran = stock.run("enact", "charter.yaml", *HURRY)
            assert stock.look() == before
            refused(stock, ran)
        finally:
            other.kill()
            other.communicate(timeout=LIMIT)


# --- disks --------------------------------------------------------------------------------------

A_DISK = """
mkdir -p disk
mount -t tmpfs -o {options} none disk
{first}
"$@"
"""


def on_a_disk(place: Gateway, options: str, first: str = "") -> Ran:
    script = "set -e\n" + A_DISK.format(options=options, first=first)
    words = command(*ENACT, state="disk/state")
    return place.bare(["unshare", "-m", "sh", "-c", script, "sh", *words])


@pytest.mark.parametrize(
    ("options", "first", "says"),
    [
        ("size=64k", "", "No space left on device"),
        ("size=2m,nr_inodes=8", "", "No space left on device"),
        ("size=1m", "head -c 2m /dev/zero > disk/filling 2> /dev/null || true", "No space left"),
        ("size=2m,ro", "", "Read-only file system"),
    ],
    ids=["too-small", "no-more-files", "full", "read-only"],
)
def test_a_state_folder_that_can_not_be_written_is_told_and_nothing_is_changed(
    good: Gateway, options: str, first: str, says: str
) -> None:
    before = good.look()
    ran = on_a_disk(good, options, first)
    assert good.look() == before
    refused(good, ran, says, "nothing was changed")


# --- two at once --------------------------------------------------------------------------------


def test_who_comes_second_is_told_who_was_first_and_until_when(tmp_path: Path) -> None:
    with gateway(tmp_path) as stock:
        stock.kept()
        stock.write("less.yaml", LESS)
        first = stock.run(*ENACT, SUDO_USER="rowan")
        assert first.code == 0, first.told
        before = stock.look()
        second = stock.run("enact", "good.yaml", *HURRY, SUDO_USER="skye")
        assert stock.look() == before
        assert second.code == 2 and "Traceback" not in second.told
        reason = second.json()["reason"]
        assert "version 2 is on trial: rowan put it in place" in reason
        assert first.json()["until"][:16].replace("T", " ") in reason.replace("T", " ")
        assert stock.run("undo", SUDO_USER="skye").json()["state"] == "undone"


def test_of_two_in_the_same_moment_one_is_refused(tmp_path: Path) -> None:
    with gateway(tmp_path) as stock:
        stock.kept()
        stock.write("less.yaml", LESS)
        with ThreadPoolExecutor(2) as pool:
            both = [pool.submit(stock.run, *ENACT, SUDO_USER=who) for who in ("rowan", "skye")]
            codes = {one.result().code: one.result() for one in both}
        assert sorted(codes) == [0, 2], [one.result().told for one in both]
        reason = codes[2].json()["reason"]
        assert "is on trial" in reason or "is changing" in reason
        events = history(stock)
        assert [one["what"] for one in events] == ["enacted", "kept", "enacted"]
        assert stock.run("undo").json()["left"] == []


def history(place: Gateway) -> list[dict[str, object]]:
    text = (place.folder / "state" / "history.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


# --- what is put aside --------------------------------------------------------------------------


def modes(folder: Path) -> Iterator[tuple[str, int]]:
    for at, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(at, name)
            if not path.is_symlink():
                yield str(path.relative_to(folder)), stat.S_IMODE(path.stat().st_mode)


def test_only_root_and_its_group_read_what_is_put_aside(tmp_path: Path) -> None:
    """Whatever the umask. What the machine was like holds who was signed in: root alone reads it."""
    with gateway(tmp_path) as stock:
        stock.write("good.yaml", CHARTER)
        stock.write("less.yaml", LESS)
        loose = ["sh", "-c", 'umask 0; exec "$@"', "sh"]
        seen: dict[str, int] = {}
        for words in (
            ("enact", "good.yaml", *HURRY), ("keep",), ("enact", "less.yaml", *HURRY), ("undo",),
            ("enact", "less.yaml", *HURRY), ("keep",), ("undo",), ("keep",),
        ):  # fmt: skip
            ran = stock.bare([*loose, *command(*words)])
            assert ran.code == 0, ran.told
            seen |= dict(modes(tmp_path / "state"))
        assert stat.S_IMODE((tmp_path / "state").stat().st_mode) == 0o750
    for name, mode in seen.items():
        alone = name.endswith(("before.json", "placed.json", "diverting.json"))
        folder = "." not in name.rsplit("/", 1)[-1] and name.rsplit("/", 1)[-1] not in FILES
        assert mode == (0o750 if folder else 0o600 if alone else 0o640), (name, oct(mode))
    assert {"trial/before.json", "trial/trial.json", "versions/0001/before.json",
            "history.jsonl", "versions/0002/kit/nftables.nft"} <= seen.keys()  # fmt: skip


FILES = {"lock", "format", "armed", "said"}


def test_the_charter_has_no_place_for_a_secret(good: Gateway) -> None:
    """So none can get into kit, history or log; who writes one is told, and it is not said again."""
    for key in ("password", "secret", "key", "pin"):
        spelt = f"eth0, {key}: Tarn-4711-Hollow,"
        good.write("charter.yaml", CHARTER.replace("eth0,", spelt))
        ran = good.run("enact", "charter.yaml", *HURRY)
        refused(good, ran, key)
        assert "Tarn-4711" not in json.dumps(ran.json())
    found = [path for path, _ in modes(good.folder / "state")]
    texts = [(good.folder / "state" / path) for path in found]
    assert not [path for path in texts if path.is_file() and b"Tarn-4711" in path.read_bytes()]
