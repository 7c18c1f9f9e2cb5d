"""The gateway's own pages: whether somebody else listens at port 80 where they are to, and whether
their unit can read the program that serves them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.render import gate
from netcharter.render.placing import UNITS
from netcharter.rollout.preparing.judging_names import listening
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

PORT = 80
OURS = f"/{gate.UNIT}".encode("ascii")  # a cgroup has the unit's name, systemd.unit(5)
# What a unit with ProtectHome does not see, systemd.exec(5).
UNSEEN = tuple(f"/{folder}/" for folder in ("home", "root", "run/user"))
_PROGRAM = re.compile(r"^ExecStart=(\S+)", re.MULTILINE)


def pages_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    data = wanted.placed.get(gate.AT)
    if data is None:
        return
    yield from _out_of_reach(wanted)
    if any(OURS in cgroup for path, cgroup in facts.files.items() if path.endswith("/cgroup")):
        return
    told = json.loads(data.partition(b"\n")[2])
    ours = {"0.0.0.0", "::", *(one for area in told["areas"] for one in area["listens"])}
    for address in sorted(ours & {*listening(facts, PORT, ("tcp",))}):
        yield Found(
            "port-of-pages-taken",
            "error",
            f"somebody listens on {address} port {PORT} already, where a page is to say why names"
            " are withheld",
            f"find out who with `ss -lntp 'sport = :{PORT}'`, and end it (systemctl disable --now"
            " NAME), or let it listen elsewhere",
            address,
        )


def _out_of_reach(wanted: Wanted) -> Iterator[Found]:
    text = wanted.placed.get(f"{UNITS}/{gate.UNIT}", b"").decode("ascii", "replace")
    match = _PROGRAM.search(text)
    if match is not None and match[1].startswith(UNSEEN):
        yield Found(
            "program-out-of-reach",
            "error",
            f"{terminal(match[1])} can't be begun as the user of the gateway's pages: what is in"
            " there is kept from services",
            "install netcharter elsewhere, in /opt for instance",
            gate.UNIT,
        )
