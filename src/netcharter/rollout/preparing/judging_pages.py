"""The gateway's own pages: whether somebody else listens at port 80 where they are to, and whether
their unit can read the program that serves them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.render import gate
from netcharter.rollout.preparing.judging_names import listening
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

PORT = 80
OURS = f"/{gate.UNIT}".encode("ascii")  # a cgroup has the unit's name, systemd.unit(5)
# What a unit with ProtectHome and PrivateTmp does not see, systemd.exec(5).
UNSEEN = tuple(f"/{folder}/" for folder in ("home", "root", "run/user", "tmp", "var/tmp"))


def pages_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    data = wanted.placed.get(gate.AT)
    if data is None:
        return
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


def out_of_reach(places: Iterable[str]) -> Iterator[Found]:
    """places: where the program that is to serve the pages lies, and all that it consists of, each as
    it is called and as links lead there."""
    unseen = next((place for place in places if f"{place}/".startswith(UNSEEN)), None)
    if unseen is not None:
        yield Found(
            "program-out-of-reach",
            "error",
            f"a part of netcharter, {terminal(unseen)}, can't be read by the gateway's pages: what is"
            " in there is kept from services",
            "install netcharter, and a Python that it runs with, elsewhere: in /opt for instance",
            gate.UNIT,
        )
