"""`holds`: is what the kernel has loaded still the plan? If not, the difference as connections."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from typing import Any, Literal

from netcharter.diagnostics import Diagnostic
from netcharter.lab.agreement import Unreadable, kernel_equals_plan
from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import NoAnswer
from netcharter.proofs.kernel import Agreement
from netcharter.proofs.management import NOTHING_KNOWN, Known
from netcharter.readback import sizes
from netcharter.readback.listing import read_listing
from netcharter.render.sizes import segment
from netcharter.report.limits import WHERE
from netcharter.report.wording import counted
from netcharter.tasks.changes import LISTED, Changes, Loaded, changes, ours
from netcharter.tasks.sources import Unusable

State = Literal["as planned", "otherwise", "nothing of ours"]
SHOWN = 6  # attempts that are told where no connection is let or refused otherwise
EMPTY = {"opened": "0", "closed": "0", "altered": "0"}


@dataclass(frozen=True)
class Holds:
    """state: whether the gateway is as planned. agreement: the proof about the packet filter (None
    where nothing of ours is loaded); changes: which connections would change if the plan were
    enacted again (None where nothing differs, or where that can't be told, and then `untold` says
    why); others: what else of the machine is otherwise; notes: who made what is kept, and which
    lines are left out, in sentences, and what was met when it was put right before.
    """

    state: State
    agreement: Agreement | None
    changes: Changes | None
    others: tuple[str, ...]
    untold: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """The gateway is as planned."""
        return self.state == "as planned"

    def as_json(self) -> dict[str, Any]:
        """`ok`, `state`; the difference as in `compare`: `opened` is what the plan lets and the
        kernel refuses; `kernel` as in `rehearse`; `others`; `untold`; `notes`.
        """
        difference = self.changes.as_json() if self.changes else _NOTHING
        if self.untold is not None:
            difference = {**difference, "same": False, "complete": False}
        return {
            **difference,
            "ok": self.ok,
            "state": self.state,
            "kernel": self.agreement.as_json() if self.agreement else None,
            "others": list(self.others),
            "untold": self.untold,
            "notes": list(self.notes),
        }

    def lines(self, width: int) -> Iterator[str]:
        """The answer for people."""
        for note in self.notes:
            yield from wrap(note, width, break_on_hyphens=False, break_long_words=False)
        yield from wrap(_HEADLINE[self.state], width)
        for other in self.others:
            yield from wrap(
                other, width, initial_indent="  - ", subsequent_indent="    ",
                break_on_hyphens=False, break_long_words=False,
            )  # fmt: skip
        if self.untold is not None:
            yield from wrap(f"Which connections that is can't be told: {self.untold}", width)
        if self.changes is not None and not self.changes.same:
            yield "if the plan were enacted again:"
            yield from self.changes.lines(width)
        elif self.agreement is not None and not self.agreement.same:
            yield from self._attempts(width)
            yield from wrap(WHERE, width)
        else:
            yield from wrap(WHERE, width)

    def _attempts(self, width: int) -> Iterator[str]:
        """Sorts of connections that fare otherwise, where no row tells of them: what is only counted
        or answered otherwise has none, and rows may not be had."""
        assert self.agreement is not None
        found = self.agreement.differences
        sorts = counted(self.agreement.counts["differences"], "sort")
        yield from wrap(
            f"no connection is let or delivered otherwise, but answered, hidden or counted ({sorts}):"
            if self.untold is None
            else f"otherwise are {sorts} of connections:",
            width,
        )
        for one in found[:SHOWN]:
            yield from wrap(one.sentence, width, initial_indent="  - ", subsequent_indent="    ")
        if len(found) > SHOWN:
            yield f"  and {len(found) - SHOWN} more; --json has them."


_HEADLINE: dict[State, str] = {
    "as planned": "The gateway is as planned: proven for every connection, of what the kernel has "
    "loaded.",
    "otherwise": "The gateway is not as planned.",
    "nothing of ours": "Nothing of a kit is loaded here.",
}
_NOTHING: dict[str, Any] = {
    "same": True, "opened": [], "closed": [], "altered": [], "totals": EMPTY, "complete": True,
    "moved": [], "besides": [], "read": True, "names": [], "names_complete": False, "by": "plan",
}  # fmt: skip


def holds(
    plan: Plan,
    loaded: Loaded,
    now: datetime,
    others: Sequence[str] = (),
    lines: Known = NOTHING_KNOWN,
) -> Holds:
    """Whether a machine still does what the plan says, from `now` on.

    others: what of its addresses, routes and settings is not as planned, each a sentence; lines:
    the addresses that automatic lines have. Raises Unusable.
    """
    if not ours(loaded):
        return Holds("nothing of ours", None, *_difference(loaded, plan, now, tuple(others)))
    try:
        found = kernel_equals_plan(plan, now, loaded.machine.listing, LISTED, lines)
    except Unreadable as fault:
        raise Unusable(fault.problems, {LISTED: loaded.machine.listing}) from None
    except NoAnswer as fault:
        raise _undecided(plan, fault) from None
    others = (*others, *_untold(plan, loaded))
    state: State = "as planned" if found.same and not others else "otherwise"
    if found.same:
        return Holds(state, found, None, tuple(others))
    return Holds(state, found, *_difference(loaded, plan, now, tuple(others)))


def _untold(plan: Plan, loaded: Loaded) -> Iterator[str]:
    """The narrow lines of which not everybody is told how large a segment may be."""
    listing = read_listing(loaded.machine.listing, LISTED).listing
    seen = sizes.told(listing) if listing is not None else frozenset()
    for line in plan.lines:
        wanted = {
            sizes.Told(family, way, line.device, segment(line.mtu, family))
            for family in (4, 6)
            for way in ("iifname", "oifname")
            if line.mtu is not None and line.narrow
        }
        if wanted - seen:
            yield (
                f"not everybody who speaks TCP through {line.device} is told that it takes "
                f"{line.mtu} bytes at a time"
            )


def _difference(
    loaded: Loaded, plan: Plan, now: datetime, others: tuple[str, ...]
) -> tuple[Changes | None, tuple[str, ...], str | None]:
    """Which connections change, and why that can't be told: it takes namespaces, which not everyone
    may make who may ask whether the kernel is as planned."""
    try:
        return changes(loaded, plan, now), others, None
    except Unusable as fault:
        return None, others, fault.diagnostics[0].message


def _undecided(plan: Plan, fault: NoAnswer) -> Unusable:
    message = f"whether the kernel is as planned could not be told within the work allowed: {fault}"
    where = plan.charter.where()
    help_ = "compare the charters, or enact again"
    return Unusable((Diagnostic("too-intricate", "error", message, where, help=help_),), {})
