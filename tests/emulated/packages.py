"""Debian's own kernel and a small Debian 12 to run on it, unpacked into a folder and nowhere else.

    python -m tests.emulated.packages        makes all of it, quickly where it is there

The packages come from apt as this machine has it set up, are unpacked without their own scripts, and
become a disk for qemu. Nothing is installed here, nothing outside the folder is written. It is
`.venv/emulated` unless NETCHARTER_EMULATED_FOLDER names another. Standard library alone, so that it
runs before any virtual environment is there.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDER = "NETCHARTER_EMULATED_FOLDER"
PYTHON = "3.11"  # Debian 12's
DISK = 1400  # megabytes, sparse
LIMIT = 900  # seconds for one command

# The kernel of Debian's cloud images has no PPP, so it is the other one.
GUEST = (
    "linux-image-amd64", "busybox-static", "systemd", "systemd-sysv", "udev", "python3.11",
    "nftables", "iproute2", "conntrack", "ppp", "pppoe", "dnsmasq-base", "unbound",
    "dns-root-data", "dnsdist", "tinycdb", "chrony", "avahi-daemon", "isc-dhcp-client",
    "isc-dhcp-server", "dhcpcd-base", "dbus", "kmod", "procps", "iputils-ping", "bash",
    "coreutils", "dash", "util-linux", "mount", "grep", "sed", "findutils", "tar", "tzdata",
)  # fmt: skip
QEMU = ("qemu-system-x86",)

# What the first steps need to find the disk; the rest is loaded by the kernel when it is asked for.
EARLY = ("virtio_pci", "virtio_blk", "crc32c_generic", "ext4")
# Modules of hardware that no emulated machine has, and pages that nobody reads there.
USELESS = (
    "usr/share/doc", "usr/share/man", "usr/share/locale", "usr/share/perl", "usr/lib/udev/hwdb.d",
    "usr/share/i18n", "usr/share/info", "lib/modules/*/kernel/sound", "lib/modules/*/kernel/fs/xfs",
    "lib/modules/*/kernel/fs/btrfs", "lib/modules/*/kernel/drivers/[ad-lo-u]*",
    "lib/modules/*/kernel/drivers/me*", "lib/modules/*/kernel/drivers/mtd", "boot/System.map*",
    "lib/modules/*/kernel/drivers/net/ethernet", "lib/modules/*/kernel/drivers/net/wireless",
)  # fmt: skip

# Files that the packages' own scripts would have made.
FILES: Mapping[str, str] = {
    # Where Python finds our sources (they come with each run) and what they depend on.
    "usr/lib/python3/dist-packages/netcharter.pth": "/job/src\n/opt/python\n",
    "etc/passwd": "root:x:0:0:root:/root:/bin/sh\nnobody:x:65534:65534::/nonexistent:/bin/false\n"
    "dnsmasq:x:100:65534::/nonexistent:/bin/false\n"
    "unbound:x:103:65534::/nonexistent:/bin/false\n"
    "_dnsdist:x:104:104::/nonexistent:/bin/false\n"
    "_chrony:x:105:105::/var/lib/chrony:/bin/false\n"
    "avahi:x:106:106::/run/avahi-daemon:/bin/false\n"
    "messagebus:x:101:101::/nonexistent:/bin/false\n"
    "dhcpcd:x:102:65534::/usr/lib/dhcpcd:/bin/false\n",
    "etc/group": "root:x:0:\nadm:x:4:\ntty:x:5:\ndisk:x:6:\ndip:x:30:\nnogroup:x:65534:\n"
    "messagebus:x:101:\n_dnsdist:x:104:\n_chrony:x:105:\navahi:x:106:\n",
    "etc/hosts": "127.0.0.1 localhost gateway\n",
    "etc/hostname": "gateway\n",
    "etc/fstab": "",
    "etc/machine-id": "6e6574636861727465722d656d756c61\n",  # so that it is no first start
}
LINKS: Mapping[str, str] = {
    "usr/bin/python3": "python3.11",
    "usr/bin/awk": "mawk",
    "usr/bin/sh": "dash",
    "etc/localtime": "/usr/share/zoneinfo/UTC",
}


def home() -> Path:
    """The folder in which all of it is."""
    return Path(os.environ.get(FOLDER) or ROOT / ".venv/emulated").resolve()


def ready() -> bool:
    """Whether what is there was made as it would be made now."""
    stamp = home() / "made-of"
    return stamp.exists() and stamp.read_text("ascii") == _digest()


def _digest() -> str:
    found = hashlib.sha256()
    for path in (Path(__file__), ROOT / "requirements/base.txt"):
        found.update(path.read_bytes())
    return found.hexdigest()


def make() -> None:
    """Make all of it anew, unless it is there."""
    if ready():
        return
    folder = home()
    folder.mkdir(parents=True, exist_ok=True)
    root = folder / "root"
    for old in (root, folder / "qemu"):
        shutil.rmtree(old, ignore_errors=True)
    if shutil.which("qemu-system-x86_64") is None:
        for package in _fetched(folder / "packages-qemu", QEMU):
            _run("dpkg-deb", "-x", str(package), str(folder / "qemu"))
    _unpacked(_fetched(folder / "packages", GUEST), root)
    _python_packages(root)
    _settled(root)
    _early(root, folder)
    _disk(root, folder)
    shutil.rmtree(root)
    (folder / "made-of").write_text(_digest(), "ascii")


def _say(text: str) -> None:
    print(f"[emulated] {text}", flush=True)


def _run(*argv: str, data: bytes | None = None, **more: str) -> bytes:
    found = subprocess.run(
        argv,
        input=data,
        stdout=subprocess.PIPE,
        env={**os.environ, "LC_ALL": "C", **more},
        timeout=LIMIT,
        check=True,
    )
    return found.stdout


def _fetched(folder: Path, names: Sequence[str]) -> list[Path]:
    """The packages and all that they need, as files; this machine's own list of packages is left
    aside, so that nothing is missing because it is installed here."""
    _say(f"fetching {', '.join(names)}, and what they need")
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "partial").mkdir(parents=True)
    nothing = folder / "nothing-installed"
    nothing.touch()
    settings = {
        "Dir::State::status": nothing,
        "Dir::Cache::archives": folder,
        "Debug::NoLocking": 1,
        "APT::Install-Recommends": 0,
        "APT::Sandbox::User": "root",
    }
    options = [word for key, value in settings.items() for word in ("-o", f"{key}={value}")]
    command = ("apt-get", "-qq", "-y", *options, "--download-only", "install", *names)
    try:
        _run(*command)
    except subprocess.CalledProcessError:
        if os.geteuid() != 0:
            raise
        _run("apt-get", "-qq", "update")  # a list of packages that is too old
        _run(*command)
    return sorted(folder.glob("*.deb"))


def _unpacked(packages: Iterable[Path], root: Path) -> None:
    """All into one folder, with /bin, /lib and /sbin as part of /usr (Debian's merged /usr)."""
    _say("unpacking")
    for name in ("bin", "sbin", "lib", "lib64"):
        (root / "usr" / name).mkdir(parents=True)
        (root / name).symlink_to(f"usr/{name}")
    told = []
    for package in packages:
        data = _run("dpkg-deb", "--fsys-tarfile", str(package))
        _run("tar", "-x", "--keep-directory-symlink", "--no-same-owner", "-C", str(root), data=data)
        name, rest = _run("dpkg-deb", "-f", str(package)).decode("utf-8").split("\n", 1)
        told.append(f"{name}\nStatus: install ok installed\n{rest}\n")
    # As dpkg would have it, for whoever asks what is installed.
    (root / "var/lib/dpkg/status").write_text("".join(told), "utf-8")


def _python_packages(root: Path) -> None:
    _say("Python packages")
    pip = (sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "--quiet")
    choice = ("--python-version", PYTHON, "--only-binary", ":all:", "--no-compile")
    wanted = ("--require-hashes", "-r", str(ROOT / "requirements/base.txt"))
    _run(*pip, "--no-input", *choice, "--target", str(root / "opt/python"), *wanted)


def _of_root(root: Path, program: str, *words: str, name: str = "") -> tuple[str, ...]:
    """A command that runs a program of the folder with the folder's own libraries. name: under
    which it is called."""
    libraries = [root / "usr/lib/x86_64-linux-gnu", root / "lib/x86_64-linux-gnu"]
    loader = str(root / "lib64/ld-linux-x86-64.so.2")
    paths = ":".join(map(str, libraries))
    called = ("--argv0", name) if name else ()
    return (loader, "--library-path", paths, *called, str(root / program), *words)


def _settled(root: Path) -> None:
    """What the packages' own scripts would have done, as far as it matters here."""
    for pattern in USELESS:
        for path in root.glob(pattern):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    for name, text in FILES.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, "utf-8")
    for name, target in LINKS.items():
        (root / name).unlink(missing_ok=True)
        (root / name).symlink_to(target)
    for name in ("proc", "sys", "dev", "run", "tmp", "job", "var/log/journal"):
        (root / name).mkdir(parents=True, exist_ok=True)
    _run(*_of_root(root, "bin/kmod", "-b", str(root), _release(root), name="depmod"))
    _say("compiling Python")
    compiling = ("-m", "compileall", "-q", "-j1", "-s", str(root), "-p", "/")
    places = (str(root / "usr/lib/python3.11"), str(root / "opt/python"))
    # Some packages bring files for other versions of the language: what can't be compiled stays.
    subprocess.run(
        _of_root(root, "usr/bin/python3.11", *compiling, *places),
        env={**os.environ, "PYTHONHOME": str(root / "usr")},
        stdout=subprocess.DEVNULL,
        timeout=LIMIT,
        check=False,
    )


def _release(root: Path) -> str:
    (found,) = (path.name for path in (root / "lib/modules").iterdir())
    return found


def _early(root: Path, folder: Path) -> None:
    """The kernel, and what it takes to find the disk."""
    release = _release(root)
    shutil.copyfile(root / f"boot/vmlinuz-{release}", folder / "vmlinuz")
    (folder / "release").write_text(release, "ascii")
    early = folder / "early"
    shutil.rmtree(early, ignore_errors=True)
    early.mkdir()
    shutil.copyfile(root / "bin/busybox", early / "busybox")
    for number, path in enumerate(_with_needed(root / f"lib/modules/{release}", EARLY)):
        shutil.copyfile(path, early / f"{number:02}.ko")


def _with_needed(modules: Path, names: Sequence[str]) -> list[Path]:
    """The files of modules, those that they need before them (modules.dep(5))."""
    needs = {}
    for line in (modules / "modules.dep").read_text("ascii").splitlines():
        own, _, others = line.partition(":")
        needs[Path(own).stem.replace("-", "_")] = [*reversed(others.split()), own]
    # One that is not there is built into the kernel.
    found = [path for name in names for path in needs.get(name, ())]
    return [modules / path for path in dict.fromkeys(found)]


def _disk(root: Path, folder: Path) -> None:
    _say("writing the disk")
    disk = folder / "disk"
    disk.unlink(missing_ok=True)
    maker = ("mke2fs", "-q", "-t", "ext4", "-m", "0", "-O", "^has_journal", "-d", str(root))
    # As root of a namespace of one's own, whose files are then root's inside.
    way = () if os.geteuid() == 0 else ("unshare", "-r")
    path = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
    _run(*way, *maker, str(disk), f"{DISK}M", PATH=path)


if __name__ == "__main__":
    make()
