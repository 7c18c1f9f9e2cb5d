"""Tables of others in nftables: which are there, and whether a plan holds beside those that stay."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any

from netcharter.diagnostics.escape import terminal
from netcharter.lab.agreement import Unreadable, kernel_equals_plan
from netcharter.lab.reading import NotListed, listing_of_kit
from netcharter.lab.trouble import CommandFailed, LabImpossible
from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import NoAnswer
from netcharter.proofs.management import Known
from netcharter.proofs.naming import listed
from netcharter.rollout.observe import OURS, WATCHING
from netcharter.tasks.changes import LISTED, Loaded
from netcharter.tasks.sources import unusable

Table = tuple[str, str]
RULES = "nftables.nft"
OWN = frozenset({OURS, WATCHING})


def demand(there: Iterable[Table], set_aside: Iterable[str], before: Collection[str]) -> None:
    """Raises Unusable for a table that is to be set aside and is not there. before: those that are
    set aside already, by the version that is kept."""
    known = sorted(f"{family} {name}" for family, name in there if (family, name) not in OWN)
    for name in set_aside:
        if name not in known and name not in before and name != " ".join(OURS):
            have = f"there is: {listed([terminal(one) for one in known])}" if known else "none is"
            raise unusable(
                "set-aside-absent",
                f"there is no table {terminal(name)} that could be set aside",
                "--set-aside",
                name,
                f"name it as `nft list tables` does, family first; {have}",
            )


def beside(
    plan: Plan,
    files: Mapping[str, bytes],
    loaded: Loaded,
    set_aside: Collection[str],
    now: datetime,
    lines: Known,
) -> tuple[str, ...]:
    """What tables of others that stay would make of a plan whose kit is put in place beside them, one
    sentence each: it is proven beforehand as it is afterwards, of what the kernel then has."""
    staying = _staying(loaded.machine.listing, set_aside)
    if not staying:
        return ()
    names = listed([terminal(" ".join(name)) for name in sorted({_table(row) for row in staying})])
    try:
        kit = json.loads(listing_of_kit(files[RULES].decode("ascii")))
        whole = json.dumps({"nftables": [*kit["nftables"], *staying]})
        found = kernel_equals_plan(plan, now, whole, LISTED, lines)
    except Unreadable as fault:
        return (_spoilt(names, str(fault)),)
    except (NoAnswer, NotListed, CommandFailed, LabImpossible) as fault:
        return (f"whether the plan holds beside {names} could not be told before: {fault}",)
    if found.same:
        return ()
    return (_spoilt(names, found.differences[0].sentence),)


def _staying(listing: str, set_aside: Collection[str]) -> list[dict[str, Any]]:
    rows = [row for row in json.loads(listing)["nftables"] if "metainfo" not in row]
    return [
        row for row in rows if _table(row) not in OWN and " ".join(_table(row)) not in set_aside
    ]


def _table(row: Mapping[str, Any]) -> Table:
    """The table that an object of a listing is, or is in."""
    ((kind, said),) = row.items()
    return str(said["family"]), str(said["name" if kind == "table" else "table"])


def _spoilt(names: str, why: str) -> str:
    return (
        f"beside {names}, which nobody sets aside, the packet filter would not be as planned, and be "
        f"undone at once: {why}; name what is to go with --set-aside, or have its owner take it away"
    )
