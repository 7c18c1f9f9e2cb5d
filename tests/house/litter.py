"""What must not lie about in the repository, as pure functions: files in, breaches out."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Mapping
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

MOST_BYTES = 1_000_000
KINDS = ("added", "changed", "fixed", "removed", "security")
MOST_FRAGMENT_CHARACTERS = 600

# Spelt in pieces, so that this file does not hold what it forbids.
_WORDS = (
    "/wo" + "rk/",
    "/tmp/" + "nc",
    "/ro" + "ot/",
    "far" + "m-",
    "DESI" + "GN.md",
    "FAC" + "TS.md",
    "CHE" + "CKS.md",
    "TRA" + "DE.md",
    "pypi" + ".org",
    "pythonhosted" + ".org",
    "index" + "-url =",
    "github" + ".com/",
)
_WORKPLACE = re.compile(
    "|".join(re.escape(word) for word in _WORDS) + r"|\bissue\s*#?\s*\d|\bseed " + "document",
    re.IGNORECASE,
)
_FRAGMENT_NAME = re.compile(rf"[a-z0-9]+(?:-[a-z0-9]+)*\.(?:{'|'.join(KINDS)})\.md")


def kept_files(root: Path) -> list[Path]:
    """The files that git keeps or would keep; without git, all that is not made here."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    answer = subprocess.run(command, cwd=root, capture_output=True, check=False)
    if answer.returncode == 0:
        names = sorted({name.decode() for name in answer.stdout.split(b"\0") if name})
        return [root / name for name in names if (root / name).is_file()]
    made = {".venv", ".git", "out", "build", "__pycache__"}
    return [p for p in sorted(root.rglob("*")) if p.is_file() and not made & set(p.parts)]


def word_breaches(texts: Mapping[str, str]) -> list[str]:
    """Lines with a path, a tool or an address of the place where the house was built."""
    return [
        f"{name}:{number}: {found.group()!r}"
        for name, text in texts.items()
        for number, line in enumerate(text.splitlines(), 1)
        for found in _WORKPLACE.finditer(line)
    ]


def size_breaches(sizes: Mapping[str, int]) -> list[str]:
    return [f"{name}: {size} bytes" for name, size in sizes.items() if size > MOST_BYTES]


def fragment_breaches(fragments: Mapping[str, str]) -> list[str]:
    """Fragments of the change log that are not one plain paragraph under a proper name."""
    breaches = []
    for name, text in fragments.items():
        if not _FRAGMENT_NAME.fullmatch(name):
            breaches.append(f"{name}: not called what-it-is.{'|'.join(KINDS)}.md")
        body = text.strip()
        if not body or "\n\n" in body or not re.match(r"[A-Z`]", body) or body[-1] not in ".!":
            breaches.append(f"{name}: not one paragraph of whole sentences")
        if len(body) > MOST_FRAGMENT_CHARACTERS:
            breaches.append(f"{name}: {len(body)} characters, over {MOST_FRAGMENT_CHARACTERS}")
    return breaches


def locked(text: str) -> dict[str, tuple[str, int]]:
    """Package name -> (exact version, number of hashes) of a requirements file."""
    found: dict[str, tuple[str, int]] = {}
    for entry in text.replace("\\\n", " ").splitlines():
        if match := re.match(r"([A-Za-z0-9._-]+)==(\S+)", entry):
            found[canonicalize_name(match[1])] = (match[2], entry.count("--hash=sha256:"))
    return found


def lock_breaches(text: str, wanted: Iterable[str]) -> list[str]:
    """What is wrong with one lock: entries, hashes, addresses, and requirements not met."""
    breaches = []
    for entry in text.replace("\\\n", " ").splitlines():
        if not re.fullmatch(
            r"[\w.\[\]-]+==[\w.!+-]+( +--hash=sha256:[0-9a-f]{64})+", entry.strip()
        ):
            breaches.append(f"not a locked package: {entry.strip()[:60]!r}")
    versions = locked(text)
    for requirement in map(Requirement, wanted):
        version = versions.get(canonicalize_name(requirement.name))
        if version is None:
            breaches.append(f"{requirement.name}: not locked")
        elif not requirement.specifier.contains(version[0]):
            breaches.append(f"{requirement}: locked at {version[0]}")
    return breaches
