"""Names rules in a lab: the kit's own dnsdist stands before its unbound, and hosts ask what rules say.

For each names rule some names are asked for: those that stand in it and one below each, names of its
lists and one below, and the canary. What has to come of it is decided by the plan for that host at the
moment of the rehearsal (`plan.names.deciding`), and so is who outside may be asked: nobody for what is
withheld. The stores of lists and the file of hours are made as on a gateway.
"""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import zip_longest
from zoneinfo import ZoneInfo

from netcharter.lab import tools
from netcharter.lab.answering import ELSEWHERE, FAR
from netcharter.lab.messages import AAAA, HTTPS, NO_ERROR, NO_NAME, A
from netcharter.lab.serving import running
from netcharter.lab.site import KIT
from netcharter.lab.trouble import CommandFailed
from netcharter.plan.coding import address as coded
from netcharter.plan.hours import is_open, passed
from netcharter.plan.leading import place_of
from netcharter.plan.local_names import addresses_in
from netcharter.plan.names.deciding import Asker, Decider, Holds, Verdict, meets
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.shapes import NamesRow
from netcharter.plan.names.special import CANARY
from netcharter.plan.names.times import times
from netcharter.plan.shapes import Address, AreaPlan, Plan
from netcharter.render import stores
from netcharter.render.cdb import STORES, laid_out
from netcharter.render.withholding import CONF
from netcharter.render.withholding_rules import FIRST, HOURS, LAST, LONGEST

PROGRAM, MAKER = "dnsdist", "cdb"
PACKAGES: Mapping[str, str] = {PROGRAM: "dnsdist", MAKER: "tinycdb"}
LEADING: Mapping[str, str] = {"dnsmasq": "dnsmasq-base"}
TYPES: Mapping[int, str] = {A: "A", AAAA: "AAAA", HTTPS: "HTTPS"}
MOST = 16  # names that each area asks for
FEW = 2  # names of each list and rule
BELOW = "netcharter-below"  # a label that nobody lists
Answered = tuple[str, int, str]  # a name, a kind, and an address that somebody was to be told of it
EARLY = 10  # seconds before which the file of hours ends


@dataclass(frozen=True, slots=True)
class Wanted:
    """A question and what has to be told. beyond: somebody outside has to be asked for it, False:
    nobody may be, None: that says nothing; code: of the answer; kind: A, AAAA, PTR or HTTPS, and of
    the last only how many there are; ruled: a names rule is tried."""

    name: str
    kind: int
    told: tuple[str, ...]
    beyond: bool | None = None
    code: int = NO_ERROR
    ruled: bool = False


def missing(leading: bool = False) -> str:
    """Which of the programs this machine lacks, in words; "" for none. leading: names of places are
    looked up, too."""
    needed = {**PACKAGES, **(LEADING if leading else {})}
    absent = [name for name in needed if tools.path_of(name) is None]
    packages = ", ".join(needed[name] for name in absent)
    return (
        f"no {' and no '.join(absent)} was found on this machine; install {packages}"
        if absent
        else ""
    )


# --- what is asked -------------------------------------------------------------------------------


class Asking:
    """What is to be asked for names rules at one moment."""

    def __init__(
        self, plan: Plan, now: datetime, led: Mapping[str, Mapping[int, str]] = {}
    ) -> None:
        """led: where the names of places lead, by kind; they are asked for, too."""
        self.plan, self._find = plan, Finder(plan.names)
        self._led = led
        self.answered: set[Answered] = set()  # so far
        self.holds = holding(plan, now)
        self.names = tuple(dict.fromkeys(self._named()))
        self._far = dict.fromkeys(self.names, FAR)
        targets = [row.to for row in plan.names.rows if row.to is not None]
        self._far.update(dict.fromkeys(targets, ELSEWHERE))
        self._far.update(led)

    @property
    def outside(self) -> Mapping[str, Mapping[int, str]]:
        """What name servers outside say of the names, by kind."""
        return self._far

    def _named(self) -> Iterator[str]:
        yield from self._led
        for row in self.plan.names.rows:
            if row.kind in ("rule", "emergency"):
                yield from self._of_row(row)
        if any(row.label == "canary" for row in self.plan.names.rows):
            yield CANARY

    def _of_row(self, row: NamesRow) -> Iterator[str]:
        for name in [name for name in row.named if name][:FEW]:
            yield name
            yield from _below(name)
        for what in row.listing:
            for one in what.lists:
                entries = self.plan.names.lists[one].entries
                for place in range(min(FEW, len(entries) if entries is not None else 0)):
                    assert entries is not None
                    yield entries.at(place).name
                    yield from _below(entries.at(place).name)

    def of(self, area: AreaPlan, source: Address, out: bool) -> Iterator[Wanted]:
        """The questions of one host. out: whether somebody outside can be asked."""
        decide = Decider(self.plan.names, Asker(area.name, coded(source)), self.holds)
        places = (name for name in self._led if not name.startswith(f"{BELOW}."))
        for name in dict.fromkeys([*places, *self._some(area, decide)]):
            for kind, called in TYPES.items():
                verdict = decide(name, called, self._find)
                if out or verdict.met.row.action not in ("answer", "rewrite"):
                    yield replace(self._wanted(area, name, kind, verdict), ruled=True)

    def _some(self, area: AreaPlan, decide: Decider) -> tuple[str, ...]:
        """Names that as many decisions as possible are about, other ones in other areas where there
        are too many."""
        by_row: dict[int, list[str]] = {}
        for name in self.names:
            by_row.setdefault(decide(name, "A", self._find).met.row.index, []).append(name)
        groups = [by_row[number] for number in sorted(by_row)]
        begin = MOST * (area.number - 1) % len(groups) if len(groups) > MOST else 0
        turns = zip_longest(*groups[begin:], *groups[:begin])
        return tuple(name for turn in turns for name in turn if name is not None)[:MOST]

    def ruled(self, area: AreaPlan, source: Address, want: Wanted) -> Wanted:
        """A question for a name outside, with what names rules make of it: a rule may be about
        everything."""
        kind = TYPES.get(want.kind, "")
        decide = Decider(self.plan.names, Asker(area.name, coded(source)), self.holds)
        verdict = decide(want.name, kind, self._find)
        if verdict.met.row.action == "answer":
            return want
        return self._wanted(area, want.name, want.kind, verdict)

    def _wanted(self, area: AreaPlan, name: str, kind: int, verdict: Verdict) -> Wanted:
        row = verdict.met.row
        match row.action:
            case "answer" if kind == HTTPS and place_of(self.plan.by_names, name) is not None:
                return Wanted(name, kind, (), beyond=False)  # addresses come by no other record
            case "answer":
                told = self._told(name, kind)
                self.answered |= {(name, kind, address) for address in told}
                return Wanted(name, kind, told, beyond=True)
            case "rewrite":
                to = row.to or ""
                code = NO_NAME if self._nowhere(to) else NO_ERROR
                return Wanted(name, kind, self._rewritten(area, to, kind), code=code)
            case "withhold":
                leads = tuple(sorted(str(a) for a in addresses_in(area) if _is(kind, a)))
                return Wanted(name, kind, leads, beyond=False)
            case "local":
                return Wanted(name, kind, tuple(sorted(map(str, verdict.addresses))), beyond=False,
                              code=NO_ERROR if verdict.found else NO_NAME)  # fmt: skip
            case "none":
                return Wanted(name, kind, (), beyond=False, code=NO_NAME)

    def _rewritten(self, area: AreaPlan, to: str, kind: int) -> tuple[str, ...]:
        """What another name has: known here, or outside."""
        here = self.plan.names.local.get(to)
        if here is None:
            return () if self._nowhere(to) else self._told(to, kind)
        here = tuple(one for one in here if one.offer is not None) or here
        found = (a for one in here if one.area in (None, area.name) for a in one.addresses)
        return tuple(sorted({str(a) for a in found if _is(kind, a)}))

    def _nowhere(self, name: str) -> bool:
        """Whether a name can only be here, and is not: whoever asks, and whatever rules say."""
        found = any(
            meets(self.plan.names, row, name, self._find) is not None
            for row in self.plan.names.rows
            if row.label in ("offered-names", "local-names", "never-outside")
        )
        return found and name not in self.plan.names.local

    def _told(self, name: str, kind: int) -> tuple[str, ...]:
        found = self._far[name].get(kind)
        return () if found is None else (found,)


def _below(name: str) -> Iterator[str]:
    if len(name) + len(BELOW) < 250:  # RFC 1035 section 2.3.4
        yield f"{BELOW}.{name}"


def _is(kind: int, address: Address) -> bool:
    return {A: 4, AAAA: 6}.get(kind) == address.version


def holding(plan: Plan, now: datetime) -> Holds:
    """Which times hold at a moment."""
    zone = ZoneInfo(plan.timezone)

    def holds(during: str | None, until: object) -> bool:
        open_ = during is None or is_open(plan.hours[during], zone, now)
        return open_ and (until is None or not passed(until, zone, now))  # type: ignore[arg-type]

    return holds


# --- at the gateway ------------------------------------------------------------------------------


@contextmanager
def dnsdist(namespace: str, settings: bytes, asking: Asking) -> Iterator[Callable[[], None]]:
    """The kit's dnsdist at the gateway, with stores and hours of its own. Yields what raises
    CommandFailed once it has ended by itself."""
    _stores(asking.plan)
    write_hours(asking)
    path = f"{KIT}/{CONF}"
    text = settings.decode("ascii").replace(stores.AT, f"{KIT}/names").replace(HOURS, _hours())
    with open(path, "w", encoding="ascii") as file:
        file.write(text)
    command = [tools.path_of(PROGRAM) or PROGRAM, "--supervised", "--disable-syslog", "-C", path]
    with running(namespace, command, PROGRAM, f"{KIT}/dnsdist.said") as still_there:
        yield still_there


def _hours() -> str:
    return f"{KIT}/{os.path.basename(HOURS)}"


def write_hours(asking: Asking) -> None:
    """What the steward would write at the moment of the rehearsal, to be believed as long as dnsdist
    does, by the clock of this machine."""
    till = int(time.time()) + LONGEST - EARLY
    lines = [
        f"{one.key} {'yes' if asking.holds(one.during, one.until) else 'no'} {till}"
        for one in times(asking.plan.names.rows)
    ]
    with open(_hours(), "w", encoding="ascii") as file:
        file.write("\n".join([FIRST, *lines, LAST]) + "\n")


def _stores(plan: Plan) -> None:
    """The files of the lists that are known. Raises CommandFailed."""
    for one in plan.names.lists.values():
        if one.entries is None:
            continue
        folder, layout = f"{KIT}/names/{stores.place(one)}", laid_out(one.entries)
        os.makedirs(folder, exist_ok=True)
        for store in STORES:
            _made(f"{folder}/{store}.cdb", b"".join(layout.records(store)))


def _made(path: str, records: bytes) -> None:
    command: Sequence[str] = [tools.path_of(MAKER) or MAKER, "-c", "-t", "-", path]
    try:
        found = subprocess.run(
            command, input=records, capture_output=True, check=False, timeout=tools.LIMIT
        )
    except (OSError, subprocess.TimeoutExpired) as problem:
        raise CommandFailed(MAKER, str(problem)) from None
    if found.returncode:
        raise CommandFailed(MAKER, found.stderr.decode("utf-8", "replace")[-tools.SAID :].strip())
