"""`--on HOST` with the real ssh and a real sshd, which stands on the gateway of a namespace.

The sshd is started here, with keys made here, in mounts and a network of its own; the system's one
is not touched.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, DESK, HURRY, LIMIT, SERVER, Gateway, Ran, gateway
from tests.kernel.namespace import needed

pytestmark = pytest.mark.kernel

# The program alone is enough, wherever it lies: no service of that package has to be installed.
SSHD = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
HOST = "gw.tarn-hollow.example"
SERVES = """\
Port 22
ListenAddress {server}
HostKey {folder}/host
PidFile none
UsePAM no
StrictModes no
AuthorizedKeysFile {folder}/user.pub
PermitRootLogin prohibit-password
PasswordAuthentication no
KbdInteractiveAuthentication no
SetEnv PATH={folder}/bin:{path}
"""
ASKS = """\
Host {host}
    HostName {server}
    User root
    IdentityFile {folder}/user
    IdentitiesOnly yes
    UserKnownHostsFile {folder}/known
    GlobalKnownHostsFile none
    CheckHostIP no
    HostKeyAlias {host}
"""
# Root's password may be locked, and what sshd(8) needs of /run and of users is made by its package.
BEGIN = """\
mount -t tmpfs none /run
mkdir -m 755 /run/sshd
sed 's/^root:[^:]*:/root:*:/' /etc/shadow > shadow
mount --bind shadow /etc/shadow
cp /etc/passwd passwd
grep -q ^sshd: passwd || echo sshd:x:64999:65534::/run/sshd:/usr/sbin/nologin >> passwd
mount --bind passwd /etc/passwd
exec {sshd} -D -e -f {folder}/sshd_config
"""


MKTEMP = """\
#!/bin/sh
made=$({real} "$@") || exit
echo "$made" >> {folder}/made
echo "$made"
"""


def possible() -> None:
    """Skip, with the reason, where there can be no sshd."""
    if SSHD is None or shutil.which("ssh") is None:
        pytest.skip("NO TEST WITH A REAL sshd: it is missing here (Debian: openssh-server)")
    everyone = Path("/proc/self/uid_map").read_text(encoding="ascii").split()
    if needed() != ("unshare", "-n") or everyone != ["0", "0", str(2**32 - 1)]:
        pytest.skip("NO TEST WITH A REAL sshd: it changes users, which only root can")


@dataclass
class Served:
    """A gateway with sshd, and what the keeper does on the desk."""

    gateway: Gateway
    folder: Path

    def desk(self, command: list[str]) -> Ran:
        """At the desk, where ssh(1) has our settings as the system's own."""
        script = 'set -e; mount --bind ssh_config /etc/ssh/ssh_config; exec "$@"'
        found = subprocess.run(
            [*self.gateway.desk.way, "unshare", "-m", "sh", "-c", script, "sh", *command],
            cwd=self.folder,
            env={k: v for k, v in os.environ.items() if not k.startswith("SSH_")},
            capture_output=True,
            text=True,
            timeout=LIMIT,
            check=False,
            stdin=subprocess.DEVNULL,
        )
        return Ran(found.returncode, found.stdout, found.stderr)

    def on(self, *words: str) -> Ran:
        """A netcharter command at the desk, for the gateway."""
        state = str(self.folder / "state")
        asked = [sys.executable, "-m", "netcharter", *words, "--state", state]
        return self.desk([*asked, "--on", HOST])

    def there(self, command: str) -> Ran:
        return self.desk(["ssh", "-o", "BatchMode=yes", HOST, command])

    def known(self, key: str) -> None:
        """What key the desk knows the gateway by; none if there is no such file."""
        file = self.folder / f"{key}.pub"
        text = f"{HOST} {file.read_text(encoding='ascii')}" if file.exists() else ""
        (self.folder / "known").write_text(text, encoding="ascii")


def prepared(folder: Path) -> None:
    """Keys and settings, of this test alone."""
    for name in ("host", "user", "another"):
        subprocess.run(
            ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(folder / name)],
            check=True,
            timeout=60,
        )
    told = {"folder": folder, "server": SERVER, "host": HOST,
            "path": "/usr/sbin:/usr/bin:/sbin:/bin"}  # fmt: skip
    (folder / "sshd_config").write_text(SERVES.format(**told), encoding="ascii")
    (folder / "ssh_config").write_text(ASKS.format(**told), encoding="ascii")
    (folder / "bin").mkdir()
    program = folder / "bin" / "netcharter"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m netcharter "$@"\n', encoding="ascii")
    program.chmod(0o755)
    # /tmp is everybody's, and other tests put charters there meanwhile: what is ours is written down.
    mktemp = folder / "bin" / "mktemp"
    mktemp.write_text(MKTEMP.format(real=shutil.which("mktemp"), folder=folder), encoding="ascii")
    mktemp.chmod(0o755)


@contextmanager
def served(folder: Path) -> Iterator[Served]:
    possible()
    prepared(folder)
    with gateway(folder, listens=False) as here:
        begin = BEGIN.format(sshd=SSHD, folder=folder)
        with (folder / "sshd.log").open("wb") as log:
            process = subprocess.Popen(
                [*here.bench.way, "unshare", "-m", "sh", "-euc", begin],
                cwd=folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        try:
            found = Served(here, folder)
            found.known("host")
            _awaited(found, process)
            yield found
        finally:
            process.terminate()
            process.wait(LIMIT)


def _awaited(place: Served, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + 30
    while (said := place.there("true")).code != 0:
        log = (place.folder / "sshd.log").read_text(encoding="utf-8", errors="replace")
        assert process.poll() is None and time.monotonic() < end, said.told + log
        time.sleep(0.1)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A stock gateway, reached from the desk by ssh."""
    with served(tmp_path_factory.mktemp("sshd")) as found:
        (found.folder / "charter.yaml").write_text(CHARTER, encoding="utf-8")
        yield found


def test_a_charter_is_judged_put_in_place_and_kept_over_ssh(site: Served) -> None:
    """On a stock machine, from the judgement to the history; each command is a new conversation,
    so that the way in has been tried as well."""
    judged = site.on("enact", "charter.yaml", "--only-judge", *HURRY[1:], "--json")
    assert judged.code == 0, judged.told
    way = judged.json()["management"]
    assert way["holds"] and way["entrances"] == ["office"]
    assert f"A new connection from {DESK} by eth2 to {SERVER} port 22 is let" in way["sentence"]

    done = site.on("enact", "charter.yaml", *HURRY, "--json")
    assert done.code == 0, done.told
    assert done.json()["state"] == "waiting"
    steps = {one["state"]: one["proven"] for one in done.json()["management"]["steps"]}
    assert steps["new filter, old routes"]
    assert site.on("keep", "--json").json()["version"] == 1
    events = site.on("undo", "--history", "--json").json()["events"]
    assert [one["what"] for one in events] == ["enacted", "kept"]
    made = (site.folder / "made").read_text(encoding="ascii").split()
    assert len(made) >= 2 and all(one.startswith("/tmp/netcharter.") for one in made)
    assert not [one for one in made if Path(one).exists()]


BARRED = CHARTER.replace("address: 10.7.0.5}", "address: 10.7.0.5, barred: true}")


def test_who_comes_by_ssh_is_not_shut_out(site: Served) -> None:
    (site.folder / "barred.yaml").write_text(BARRED, encoding="utf-8")
    told = site.on("enact", "barred.yaml", *HURRY)
    assert told.code == 1, told.told
    words = " ".join(told.told.split())
    assert "REFUSED management: barred.yaml:" in words and DESK in words


@pytest.mark.parametrize(
    "losing",
    [
        "sh -c 'env -i PATH=$PATH {}; exit $?'",
        "env -i PATH=$PATH {}",
        "setsid -w env -i PATH=$PATH {}",
    ],
    ids=["below", "in-its-place", "in-a-session-of-its-own"],
)
def test_the_session_is_found_where_the_environment_was_lost(site: Served, losing: str) -> None:
    """As sudo(8) does, which hands on little of the environment."""
    (site.folder / "barred.yaml").write_text(BARRED, encoding="utf-8")
    words = (
        f"netcharter enact {site.folder}/barred.yaml --only-judge --json --state {site.folder}/s"
    )
    ran = site.there(losing.format(words))
    assert ran.code == 1, ran.told
    management = json.loads(ran.out)["management"]
    assert management["entrances"] == ["office"] and not management["holds"]


@pytest.mark.parametrize("key", ["none", "another"])
@pytest.mark.parametrize("words", [("enact", "charter.yaml", "--only-judge"), ("keep",)])
def test_a_gateway_that_could_be_anybody_is_refused(
    site: Served, key: str, words: tuple[str, ...]
) -> None:
    site.known(key)
    try:
        ran, asked = site.on(*words), site.on(*words, "--json")
    finally:
        site.known("host")
    assert ran.code == 2, ran.told
    assert "Traceback" not in ran.told and ran.out == ""
    assert "Host key verification failed" in ran.err  # ssh(1)
    assert "ssh could not get there" in ran.err and "compare the host's key" in ran.err
    assert ran.err.isascii() and "<U+" not in ran.err
    assert asked.code == 2 and "compare the host's key" in asked.json()["reason"]
