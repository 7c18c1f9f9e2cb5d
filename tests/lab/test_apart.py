"""Work apart: what comes back, and that nothing is left, whatever ends it and at whatever point."""

from __future__ import annotations

import os
import pickle
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from netcharter.lab import isolation, tools
from netcharter.lab.apart import apart, report
from netcharter.lab.trouble import CommandFailed, LabFailed, LabImpossible
from tests.lab.sites import WAYS, each_way, possible

pytestmark = pytest.mark.kernel

SOON = 15.0  # seconds within which what must happen has happened


def outside() -> tuple[str, list[str], list[str]]:
    """What a lab could leave on a machine, apart from processes: devices, names, files."""
    links = subprocess.run(["ip", "-o", "link"], capture_output=True, text=True, check=True).stdout
    names = sorted(os.listdir("/run/netns")) if os.path.isdir("/run/netns") else []
    mounts = Path("/proc/self/mounts").read_text(encoding="utf-8").splitlines()
    return links, names, mounts


@pytest.fixture(autouse=True)
def nothing_is_left() -> Iterator[None]:
    """Devices, names of namespaces and mounts are as before after every test here."""
    before = outside()
    yield
    assert outside() == before


# --- what comes back -----------------------------------------------------------------------------


@each_way
def test_the_result_comes_back_and_progress_meanwhile(as_user: bool) -> None:
    possible(as_user)
    heard: list[tuple[int, int, str]] = []

    def work() -> dict[str, object]:
        for done in range(3):
            report(done, 3, f"step {done}")
        return {"root": os.geteuid(), "really": isolation.really_root(), "run": os.listdir("/run")}

    found = apart(work, on_progress=lambda *said: heard.append(said), as_user=as_user)
    assert found == {"root": 0, "really": not as_user, "run": ["netns"]}
    assert heard == [(0, 3, "step 0"), (1, 3, "step 1"), (2, 3, "step 2")]


def test_a_large_result_comes_back_whole() -> None:
    possible(as_user=True)
    assert apart(lambda: b"x" * 20_000_000, as_user=True) == b"x" * 20_000_000


@each_way
def test_the_work_has_a_network_and_mounts_of_its_own(as_user: bool) -> None:
    possible(as_user)

    def work() -> str:
        tools.run(("ip", "-batch", "-"), "link add name mine type veth peer name yours\n")
        with open("/run/mine", "w", encoding="ascii") as file:
            file.write("here")
        tools.run(("nft", "-f", "-"), "table inet mine { }\n")
        return tools.run(("ip", "-o", "link"))

    seen = apart(work, as_user=as_user)
    assert [line.split(": ")[1].split("@")[0] for line in seen.splitlines()] == [
        "lo",
        "yours",
        "mine",
    ]
    assert not os.path.exists("/run/mine")


def test_mounts_stay_inside_where_they_would_spread(tmp_path: Path) -> None:
    """As on machines whose mounts are shared from the start (mount_namespaces(7))."""
    possible(as_user=False)
    script = tmp_path / "spread.py"
    script.write_text(
        "import os\n"
        "from netcharter.lab.apart import apart\n"
        "before = open('/proc/self/mounts').read()\n"
        "print(apart(lambda: os.listdir('/run')), open('/proc/self/mounts').read() == before)\n",
        encoding="ascii",
    )
    command = ["unshare", "-m", "--propagation", "shared", sys.executable, str(script)]
    found = subprocess.run(command, capture_output=True, text=True, timeout=SOON, check=True)
    assert found.stdout == "['netns'] True\n"


class Wry(Exception):
    """An exception that cannot travel."""

    def __init__(self, one: str, two: str) -> None:
        super().__init__(f"{one} and {two}")


def test_a_failure_is_raised_as_such() -> None:
    possible(as_user=True)

    def work() -> None:
        raise CommandFailed("nft -f -", "no")

    with pytest.raises(CommandFailed, match="nft -f -: no") as found:
        apart(work, as_user=True)
    assert "In the lab:" in found.value.__notes__[0]


def test_a_failure_that_cannot_travel_says_what_it_was() -> None:
    possible(as_user=True)

    def work() -> None:
        raise Wry("salt", "pepper")

    with pytest.raises(LabFailed, match=r"(?s)Traceback.*Wry: salt and pepper"):
        apart(work, as_user=True)


def test_a_result_that_cannot_travel_is_a_failure() -> None:
    possible(as_user=True)
    with pytest.raises((TypeError, AttributeError, pickle.PicklingError)):
        apart(lambda: lambda: None, as_user=True)


def test_work_that_dies_is_told() -> None:
    possible(as_user=True)
    with pytest.raises(LabFailed, match="killed"):
        apart(lambda: os._exit(0), as_user=True)


def test_work_that_takes_too_long_is_ended() -> None:
    possible(as_user=True)
    with pytest.raises(TimeoutError):
        apart(lambda: time.sleep(60), as_user=True, limit=0.2)


def test_a_command_that_takes_too_long_is_ended() -> None:
    with pytest.raises(CommandFailed, match=r"not done after 0\.2 s"):
        tools.run(("sleep", "60"), limit=0.2)


def test_reports_outside_a_lab_are_heard_by_nobody() -> None:
    report(1, 2, "nothing happens")


def test_commands_see_neither_the_terminal_nor_another_time_zone() -> None:
    possible(as_user=True)
    told = apart(lambda: tools.run(("sh", "-c", "cat; date +%Z; echo $LC_ALL")), as_user=True)
    assert told == "UTC\nC\n"


# --- where it cannot be --------------------------------------------------------------------------

REFUSED = """
import sys
from netcharter.lab.apart import apart
from netcharter.lab.trouble import LabImpossible
try:
    apart(lambda: None, as_user=sys.argv[1] == "as-user")
except LabImpossible as problem:
    print(problem.reason, "|", problem.remedy)
"""


@pytest.mark.parametrize(
    ("allowed", "way"), [("user", "as-user"), ("net", "as-root"), ("mnt", "as-root")]
)
def test_a_machine_that_allows_no_namespaces_is_told_and_what_to_do(
    allowed: str, way: str, tmp_path: Path
) -> None:
    """user_namespaces(7), namespaces(7): the limits in /proc/sys/user."""
    possible(as_user=True)
    (tmp_path / "try.py").write_text(REFUSED, encoding="ascii")
    script = f"echo 0 > /proc/sys/user/max_{allowed}_namespaces; exec {sys.executable} try.py {way}"
    command = ["unshare", "-Ur", "sh", "-c", script]
    found = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, timeout=SOON, check=False
    )
    assert found.stderr == ""
    assert "lets no namespaces be made here" in found.stdout
    assert "sysctl" in found.stdout


def test_missing_programs_are_told_and_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(tools, "SEARCHED", "/nowhere/else")
    tools.path_of.cache_clear()
    try:
        with pytest.raises(LabImpossible) as found:
            tools.demand(tools.PACKAGES)
        assert (
            found.value.reason
            == "no ip and no bridge and no nft and no sysctl was found on this machine"
        )
        assert found.value.remedy == "install iproute2, nftables, procps"
        with pytest.raises(LabImpossible):
            tools.run(("nft", "list", "tables"))
    finally:
        tools.path_of.cache_clear()


# --- nothing is left -----------------------------------------------------------------------------

# Says who is who, by the numbers that processes have outside, and waits to be ended.
WAITING = """
import os, subprocess, sys, time
import netcharter.lab.apart as room
room.GRACE = 0.5
manner = sys.argv[2]

def work():
    os.chdir("/")
    tools = [subprocess.Popen(["sleep", "600"]), subprocess.Popen(["setsid", "sleep", "600"])]
    subprocess.run(["ip", "link", "add", "name", "left", "type", "veth"], check=True)
    pids = [os.readlink("/proc/self")]
    room.report(1, 1, " ".join(pids))
    while True:
        try:
            time.sleep(600)
        except BaseException:
            if manner != "stubborn":
                raise

room.apart(work, on_progress=lambda done, total, words: print(words, flush=True),
           as_user=sys.argv[1] == "as-user")
"""


def parents() -> dict[int, int]:
    """Every process of this machine and its parent."""
    found = {}
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            try:
                text = Path(f"/proc/{entry}/stat").read_text(encoding="utf-8", errors="replace")
            except OSError:
                continue
            state, parent = text.rpartition(")")[2].split()[:2]
            if state != "Z":
                found[int(entry)] = int(parent)
    return found


def below(pid: int) -> set[int]:
    """A process's children, their children, and so on."""
    every, found, more = parents(), set[int](), {pid}
    while more:
        more = {child for child, parent in every.items() if parent in more} - found
        found |= more
    return found


def gone(pids: set[int]) -> bool:
    end = time.monotonic() + SOON
    while pids & set(parents()):
        if time.monotonic() > end:
            return False
        time.sleep(0.01)
    return True


@contextmanager
def waiting(
    folder: Path, as_user: bool, manner: str = "obedient"
) -> Iterator[tuple[int, int, set[int]]]:
    """A caller in a process of its own: its number, its worker's, and those of all below it."""
    script = folder / "wait.py"
    script.write_text(WAITING, encoding="ascii")
    way = "as-user" if as_user else "as-root"
    caller = subprocess.Popen(
        [sys.executable, str(script), way, manner],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(folder)},
    )
    family: set[int] = set()
    try:
        assert caller.stdout is not None
        worker = int(caller.stdout.readline())
        family = below(caller.pid)
        assert len(family) == 4 and worker in family  # warden, worker, two commands
        assert os.getsid(caller.pid) not in map(os.getsid, family)  # none hears the terminal
        yield caller.pid, worker, family
        caller.wait(timeout=SOON)
        assert gone(family)
        assert [path.name for path in folder.iterdir()] == ["wait.py"]
    finally:
        for pid in {caller.pid, *family} & set(parents()):
            os.kill(pid, signal.SIGKILL)
        caller.communicate()


both_ways = [
    pytest.param(as_user, name, id=f"{'as-user' if as_user else 'as-root'}-{name}")
    for as_user in WAYS
    for name in ("caller", "warden", "worker")
]


@pytest.mark.parametrize(("as_user", "victim"), both_ways)
def test_nothing_survives_a_killing(as_user: bool, victim: str, tmp_path: Path) -> None:
    possible(as_user)
    with waiting(tmp_path, as_user) as (caller, worker, _):
        warden = parents()[worker]
        assert parents()[warden] == caller
        os.kill({"caller": caller, "warden": warden, "worker": worker}[victim], signal.SIGKILL)


@pytest.mark.parametrize("manner", ["obedient", "stubborn"])
@each_way
def test_nothing_survives_ctrl_c(as_user: bool, manner: str, tmp_path: Path) -> None:
    possible(as_user)
    with waiting(tmp_path, as_user, manner) as (caller, _, _):
        os.kill(caller, signal.SIGINT)


def test_nothing_survives_an_impatient_ctrl_c(tmp_path: Path) -> None:
    possible(as_user=True)
    with waiting(tmp_path, True, "stubborn") as (caller, _, _):
        os.kill(caller, signal.SIGINT)
        time.sleep(0.1)
        os.kill(caller, signal.SIGINT)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_nothing_survives_the_end_of_a_terminal(number: signal.Signals, tmp_path: Path) -> None:
    possible(as_user=True)
    with waiting(tmp_path, True) as (caller, _, _):
        os.kill(caller, number)


def test_ctrl_c_lets_the_work_tidy_up_and_is_raised_here() -> None:
    possible(as_user=True)
    heard: list[str] = []

    def interrupted(done: int, total: int, words: str) -> None:
        heard.append(words)
        raise KeyboardInterrupt

    here, there = socket.socketpair()

    def work() -> None:
        try:
            report(0, 1, "begun")
            time.sleep(60)
        finally:
            there.send(b"tidy")

    with here, there:
        with pytest.raises(KeyboardInterrupt):
            apart(work, on_progress=interrupted, as_user=True)
        here.settimeout(SOON)
        assert here.recv(9) == b"tidy"
    assert heard == ["begun"]


@pytest.mark.parametrize("fails", [False, True])
def test_nothing_survives_success_and_failure(fails: bool) -> None:
    """Also not what the work has left running, away from its own session."""
    possible(as_user=True)
    unmistakable = f"600.{os.getpid()}{int(fails)}"

    def work() -> str:
        left = subprocess.Popen(["setsid", "--fork", "sleep", unmistakable])
        left.wait()
        if fails:
            raise ValueError("on purpose")
        return "done"

    if fails:
        with pytest.raises(ValueError, match="on purpose"):
            apart(work, as_user=True)
    else:
        assert apart(work, as_user=True) == "done"
    assert gone({pid for pid in parents() if unmistakable in _command(pid)})


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""
