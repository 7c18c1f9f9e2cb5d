"""A run on the emulated machine: a script in, its exit code, words and files out.

One at a time, one processor, one gigabyte, no network card. The disk of `packages.py` is read only;
what a run writes is gone with it, unless it is given a copy of its own (`own_disk`).
"""

from __future__ import annotations

import fcntl
import io
import os
import shutil
import subprocess
import tarfile
import tempfile
import time
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.emulated.early import archive
from tests.emulated.packages import ROOT, home

INSIDE = Path(__file__).with_name("inside")
MEMORY = 1024  # megabytes
STARTING = 900  # seconds that start and end may take beside the script's own limit
NICE = 10  # how it makes room for others
LEFT = 64 << 20  # bytes that a run may bring back
ALONE = "/job/alone"
SYSTEMD = "/lib/systemd/systemd"
# Where others leave little time to us, clocks are not tried out, and services take as long as they do.
KERNEL = (
    "console=ttyS0 panic=-1 quiet loglevel=4 random.trust_cpu=on net.ifnames=0 no_timer_check"
    " systemd.default_timeout_start_sec=900"
)


@dataclass(frozen=True)
class Came:
    """What a run came to. code: of the script, None where it never came to its end; said: its
    words; files: that it left in its folder; console: of the machine; seconds: by the clock here;
    up: by the clock there, when the script was at its end."""

    code: int | None
    said: str
    files: Mapping[str, bytes]
    console: str
    seconds: float
    up: float

    def sure(self) -> Came:
        """Itself, if the script succeeded."""
        assert self.code == 0, f"exit {self.code}\n{self.said[-8000:]}\n{self.console[-3000:]}"
        return self

    def text(self, name: str) -> str:
        return self.files[name].decode("utf-8")


@contextmanager
def own_disk(folder: Path) -> Iterator[Path]:
    """A copy of the disk, for several runs one after the other; gone afterwards."""
    path = folder / "disk"
    subprocess.run(
        ["cp", "--sparse=always", "--reflink=auto", str(home() / "disk"), str(path)], check=True
    )
    try:
        yield path
    finally:
        path.unlink()


def run(
    script: str,
    files: Mapping[str, bytes | str] | None = None,
    limit: int = 240,
    disk: Path | None = None,
    first: str = ALONE,
) -> Came:
    """Run a shell script on a machine that is started for it.

    It runs in a folder that is empty, and whatever it leaves there comes back. /job holds the
    package's sources, the scripts of `inside` and `files`. limit: seconds for the script; disk: that
    keeps what is written; first: the machine's first program.
    """
    with tempfile.TemporaryDirectory(prefix="emulated-") as name, _alone():
        folder = Path(name)
        _written(folder / "job", {**(files or {}), "script": script, "limit": str(limit)})
        (folder / "early").write_bytes(archive(home() / "early", (INSIDE / "early").read_bytes()))
        (folder / "left").touch()
        os.truncate(folder / "left", LEFT)
        began = time.monotonic()
        console = _booted(folder, disk, first, limit + STARTING)
        seconds = time.monotonic() - began
        left = _left(folder / "left")
    return Came(
        int(left["code"]) if "code" in left else None,
        left.get("said", b"").decode("utf-8", "replace"),
        left,
        console,
        seconds,
        float(left.get("uptime", b"0")),
    )


@contextmanager
def _alone() -> Iterator[None]:
    """Wait until no other run is under way."""
    with open(home() / "under-way", "w", encoding="ascii") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _written(path: Path, files: Mapping[str, bytes | str]) -> None:
    """The job as an archive, which the machine reads like a disk."""
    with tarfile.open(path, "w") as job:
        job.add(ROOT / "src/netcharter", "src/netcharter", filter=_source)
        job.add(INSIDE, ".", filter=_source)
        version = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["version"]
        about = f"Metadata-Version: 2.1\nName: netcharter\nVersion: {version}\n"
        told = {f"src/netcharter-{version}.dist-info/METADATA": about}
        for name, content in {**files, **told}.items():
            data = content.encode("utf-8") if isinstance(content, str) else content
            head = tarfile.TarInfo(name)
            head.size, head.mode = len(data), 0o644
            job.addfile(head, io.BytesIO(data))


def _source(found: tarfile.TarInfo) -> tarfile.TarInfo | None:
    found.uid = found.gid = 0
    return None if "__pycache__" in found.name else found


def _left(path: Path) -> dict[str, bytes]:
    """What the machine wrote on the disk that it was given for that."""
    found = {}
    try:
        with tarfile.open(path, "r:") as job:
            for head in job:
                file = job.extractfile(head) if head.isfile() else None
                if file is not None:
                    found[head.name.removeprefix("./")] = file.read()
    except tarfile.ReadError:
        pass  # it never came to that
    return found


def _qemu() -> list[str]:
    """This machine's qemu, or the unpacked one with its own libraries."""
    there = shutil.which("qemu-system-x86_64")
    if there is not None:
        return [there]
    root = home() / "qemu"
    places = ("usr/lib/x86_64-linux-gnu", "lib/x86_64-linux-gnu")
    paths = ":".join(str(root / place) for place in places)
    loader = str(root / "lib64/ld-linux-x86-64.so.2")
    data = [word for place in ("qemu", "seabios") for word in ("-L", f"{root}/usr/share/{place}")]
    return [loader, "--library-path", paths, f"{root}/usr/bin/qemu-system-x86_64", *data]


def _modules() -> dict[str, str]:
    """Where the unpacked qemu finds its parts."""
    folder = home() / "qemu/usr/lib/x86_64-linux-gnu/qemu"
    return {"QEMU_MODULE_DIR": str(folder)} if folder.exists() else {}


def _booted(folder: Path, disk: Path | None, first: str, limit: float) -> str:
    """Start the machine and wait for its end, at most so many seconds; what its console said."""
    wants = (
        " systemd.wants=job.service systemd.wants=network-online.target" if first != ALONE else ""
    )
    keeps = "off" if disk else "on"
    drives = (
        f"file={disk or home() / 'disk'},format=raw,if=virtio,cache=unsafe,snapshot={keeps}",
        f"file={folder / 'job'},format=raw,if=virtio,readonly=on",
        f"file={folder / 'left'},format=raw,if=virtio,cache=unsafe",
    )
    command = [
        *("nice", "-n", str(max(0, NICE - os.nice(0))), *_qemu()),
        *("-nodefaults", "-no-user-config", "-no-reboot"),
        *("-machine", "q35,accel=tcg", "-cpu", "max", "-smp", "1", "-m", str(MEMORY)),
        *("-display", "none", "-serial", "stdio", "-nic", "none"),
        *("-kernel", str(home() / "vmlinuz"), "-initrd", str(folder / "early")),
        *("-append", f"{KERNEL} next={first}{wants}"),
        *(word for drive in drives for word in ("-drive", drive)),
    ]
    with open(folder / "console", "wb") as console:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=console, stderr=subprocess.STDOUT,
            env={**os.environ, "TMPDIR": str(folder), **_modules()},
        )  # fmt: skip
        try:
            process.wait(limit)
        except subprocess.TimeoutExpired:
            pass  # told by the code that is missing
        finally:
            process.kill()
            process.wait()
    return (folder / "console").read_bytes().decode("utf-8", "replace")
