"""Rulesets as the kernel lists them: this machine's own, only read, or a text's, loaded apart.

A text is loaded into namespaces made for it alone; the machine's own ruleset is never touched. nft
gets the text without its comments, on its standard input, without a shell, for a bounded time.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass

from netcharter.lab import loading, tools
from netcharter.lab.apart import apart

SECONDS = 30  # for one call of nft or ip
MEMORY = 4 << 30  # bytes that nft may take
MOST_DEVICES = 100
_DEVICE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.:@-]{0,14}")
_FAULT = re.compile(r"/dev/stdin:(\d+):(\d+)-(\d+): Error: ([^\n]*)")
_OWN = {"PATH": tools.SEARCHED, "LC_ALL": "C", "TZ": "UTC"}


class NotListed(Exception):
    """No listing could be had. `place`: line, first and last column of a text, where nft names it."""

    def __init__(self, message: str, place: tuple[int, int, int] | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.place = place


@dataclass(frozen=True, slots=True)
class Machine:
    """What this machine says of itself, each as its program printed it."""

    listing: str  # nft -j list ruleset
    text: str  # nft list ruleset
    addresses: str  # ip -j address
    routes4: str  # ip -j -4 route show table all
    routes6: str  # ip -j -6 route show table all


def listing_of(text: str, devices: Sequence[str]) -> str:
    """The JSON listing of a ruleset's text, which must have no comments and no `include`.

    devices: names that the text may speak of by their index, so that they must be there. Raises
    NotListed where nft or the kernel refuses the text, LabImpossible where no namespace can be had.
    """

    def work() -> tuple[str, NotListed | None]:
        try:
            return _loaded_and_listed(text, devices), None
        except NotListed as fault:
            return "", fault

    found, fault = apart(work, limit=4 * SECONDS)
    if fault is not None:
        raise fault
    return found


def listing_of_kit(text: str) -> str:
    """The JSON listing of a kit's own ruleset, loaded in the same way. Raises CommandFailed, too."""

    def work() -> str:
        loading.load(text)
        return _run(["nft", "-j", "list", "ruleset"], "")

    return apart(work, limit=4 * SECONDS)


def _loaded_and_listed(text: str, devices: Sequence[str]) -> str:
    names = [name for name in dict.fromkeys(devices) if _DEVICE.fullmatch(name) and name != "lo"]
    made = "".join(f"link add name {name} type bridge\n" for name in names[:MOST_DEVICES])
    _run(["ip", "-force", "-batch", "-"], made, lenient=True)
    _run(["nft", "-f", "-"], text)
    return _run(["nft", "-j", "list", "ruleset"], "")


def machine() -> Machine:
    """This machine's ruleset, addresses and routes; nothing but reading. Raises NotListed."""
    return Machine(
        _read(["nft", "-j", "list", "ruleset"]),
        _read(["nft", "list", "ruleset"]),
        _read(["ip", "-j", "address"]),
        _read(["ip", "-j", "-4", "route", "show", "table", "all"]),
        _read(["ip", "-j", "-6", "route", "show", "table", "all"]),
    )


def _read(call: Sequence[str]) -> str:
    try:
        return _run(call, "")
    except NotListed as fault:
        if "not permitted" in fault.message.lower() and os.geteuid() != 0:
            raise NotListed(
                f"`{' '.join(call)}` is not permitted: it takes the capability CAP_NET_ADMIN"
            ) from None
        raise


def _run(call: Sequence[str], given: str, lenient: bool = False) -> str:
    """What a program prints. Raises NotListed with what it complains of."""
    program = shutil.which(call[0], path=_OWN["PATH"])
    if program is None:
        raise NotListed(f"there is no `{call[0]}` on this machine")
    try:
        found = subprocess.run(
            [program, *call[1:]],
            input=given.encode(),
            capture_output=True,
            cwd="/",
            env=_OWN,
            timeout=SECONDS,
            check=False,
            preexec_fn=_bounded,
        )
    except subprocess.TimeoutExpired:
        raise NotListed(f"`{call[0]}` took more than {SECONDS} seconds and was ended") from None
    if found.returncode != 0 and not lenient:
        raise _fault(call[0], found.stderr.decode(errors="replace"))
    return found.stdout.decode(errors="replace")


def _bounded() -> None:
    for what, most in ((resource.RLIMIT_CPU, SECONDS), (resource.RLIMIT_AS, MEMORY)):
        hard = resource.getrlimit(what)[1]  # nobody may ask for more than that
        least = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (least, least))


def _fault(program: str, complaint: str) -> NotListed:
    """What a program complains of, with the place where nft names one."""
    named = _FAULT.search(complaint)
    if named is not None:
        line, first, last, message = named.groups()
        return NotListed(message.strip(), (int(line), int(first), int(last)))
    first_line = next((line for line in complaint.splitlines() if line.strip()), "it failed")
    return NotListed(f"`{program}` says: {first_line.strip()[:400]}")
