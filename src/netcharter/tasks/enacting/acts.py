"""The acts of a roll-out on this machine: enact, keep, undo, holds, boot, and what happened."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from ipaddress import IPv6Network
from pathlib import Path

from netcharter.charter.read import read
from netcharter.charter.values import interface_of
from netcharter.diagnostics.escape import terminal
from netcharter.plan.learning import usable
from netcharter.plan.shapes import Plan
from netcharter.proofs.conversations import Again
from netcharter.proofs.management import Session
from netcharter.rollout import looks
from netcharter.rollout import work as rollout
from netcharter.rollout.diverting import Diverting
from netcharter.rollout.host import Host, Work
from netcharter.rollout.observe import WATCHING
from netcharter.rollout.phases import Making
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.run.trust import demand_own
from netcharter.rollout.shapes import HostState, Run, Step
from netcharter.rollout.store import STOCK, Event, Paths, Standing, Trial, events_of, unread
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.rollout.unlike import unlike
from netcharter.rollout.wanted import clashes
from netcharter.rollout.ways import WAYS
from netcharter.rollout.work import Booted, Kept, Undone, Waiting
from netcharter.steward import learnt
from netcharter.steward.loop.alone import at_work
from netcharter.tasks.changes import changes
from netcharter.tasks.enacting import diverted, tables
from netcharter.tasks.enacting.again import cut_refused
from netcharter.tasks.enacting.another import of_another
from netcharter.tasks.enacting.here import Here, here, is_tracked
from netcharter.tasks.enacting.leading import as_led, as_led_before, left_out, written_down
from netcharter.tasks.enacting.lists_here import fetched_lists
from netcharter.tasks.enacting.place import deciding, in_place, known, was_decided, with_lines_of
from netcharter.tasks.enacting.ready import Ready
from netcharter.tasks.enacting.stores import make_stores
from netcharter.tasks.gate import old_ones_go
from netcharter.tasks.holds import Holds, holds
from netcharter.tasks.keeping import NotAKit, kept_areas
from netcharter.tasks.sources import (
    Source,
    Unreadable,
    Unusable,
    included,
    unusable,
    usable_plan,
)

LEARNT = "learnt"  # where what providers delegate is written down (render/delegation.py)
SECONDS = 300.0  # to keep it in
PATIENCE = 45.0  # seconds that others who change the machine are waited for
STORING = "laying lists of names out"
WATCHED = 15.0  # seconds in which packets of the session in use must be seen
_WATCHING = " ".join(WATCHING)
WATCH = f"""\
table {_WATCHING} {{
    chain seen {{
        type filter hook prerouting priority filter; policy accept;
        ct state new
    }}
}}
"""
REFUSALS = (RolloutRefused, EffectFailed)  # which say in words why nothing, or no more, was done
Told = Callable[[str], None]


@dataclass(frozen=True)
class Enacted:
    """It waits to be kept, or was undone at once. again: which open conversations were cut;
    difference: what going back changes, in a sentence; diverting: what of others leads packets
    elsewhere, so that it is not called as planned."""

    outcome: Waiting | Undone
    again: Again | None
    difference: str = ""
    diverting: tuple[str, ...] = ()

    @property
    def trial(self) -> Trial | None:
        """The trial that waits to be kept; None where it was undone."""
        return self.outcome.trial if isinstance(self.outcome, Waiting) else None


def work_at(
    state: str, who: str, told: Told = lambda words: None, host: Host | None = None
) -> Work:
    """Work with a state folder, on this machine unless another host is given. told: hears of each
    step, in words. Raises RolloutRefused where others could change that folder."""

    def heard(step: Step) -> None:
        told(step.name)

    if host is None:
        demand_own(state)
    return Work(host or RealHost(), Paths(state), WAYS, who, heard)


# --- what is kept --------------------------------------------------------------------------------


def kept_source(work: Work, number: int | None = None) -> Source | None:
    """The charter of a version as it was given, of the kept one if none is named; None where none
    is. Raises RolloutRefused, Unusable."""
    number = looks.look(work).kept if number is None else number
    if number is None:
        return None
    host, paths = work.host, work.paths
    called = f"version {number}"
    text = host.read(paths.version(number, "charter.yaml")) or b""
    files = looks.made(work, number).files
    beside = host.files(paths.version(number, "included"))
    try:
        areas = kept_areas(called, files["manifest.json"])
    except NotAKit as fault:
        raise unusable("cannot-keep", str(fault), called, "", "undo to another version") from None

    def load(name: str) -> bytes:
        if name not in beside:
            raise Unreadable("it is not among what was put aside")
        return beside[name]

    return Source(f"charter.yaml of {called}", text, load, areas, stand_ins=False)


def with_kept_areas(work: Work, source: Source) -> Source:
    """A charter whose areas keep what they have in the version that is kept, whose lines have what is
    delegated to them, and whose lists hold what was fetched here."""
    kept = kept_source(work)
    if kept is not None and source.kept is None:
        source = replace(source, kept=kept.kept)
    charter = read(source.text, source.name, source.load).charter
    lists = fetched_lists(work, charter)
    return replace(source, learnt=delegated(work, source)[0], stand_ins=False, lists=lists)


def delegated(work: Work, source: Source) -> tuple[dict[str, IPv6Network | None], dict[str, str]]:
    """What providers delegate here over lines of a charter, None: nothing any more, and why some of
    it is not used, in words. Raises EffectFailed."""
    charter = read(source.text, source.name, source.load).charter
    held = source.kept.delegated if source.kept else {}
    told: dict[str, IPv6Network | None] = {}
    for number, line in enumerate(charter.lines.values() if charter else (), 1):
        data = work.host.read(work.paths.within(LEARNT, str(number))) if line.delegated else None
        if data is not None:
            device = interface_of(line.device, line.vlan)
            told[line.name] = learnt.chosen(learnt.read(data), device, held.get(line.name))
    if charter is None or not told:
        return {}, {}
    known = {line: one for line, one in {**held, **told}.items() if one is not None}
    good, refused = usable(charter, known, held, source.kept.areas if source.kept else None)
    return {line: good.get(line) for line in told}, refused


def kept_plan(work: Work) -> Plan | None:
    source = kept_source(work)
    return None if source is None else usable_plan(source).plan


# --- putting it in place -------------------------------------------------------------------------


def as_kept(work: Work) -> bool:
    """Whether addresses, routes and settings are those of the version that is kept."""
    plan = kept_plan(work)
    return plan is None or not _otherwise(work, plan)


def _otherwise(work: Work, plan: Plan) -> tuple[str, ...]:
    """In what the machine differs from the kept version, whose plan it is, but for what the filter
    decides."""
    number = looks.look(work).kept
    if number is None:
        return ()
    kept = looks.made(work, number)
    return _unlike(work, plan, kept.files, kept.version.set_aside)


def _unlike(
    work: Work, plan: Plan, files: Mapping[str, bytes], set_aside: Collection[str]
) -> tuple[str, ...]:
    """In what the machine differs from a plan's kit, but for what the filter decides, and for lines
    that failed."""
    now = work.host.observe(WAYS.settings_of(files))
    led = as_led(work.host, work.paths, plan, files, now)
    wanted = WAYS.wanted(led, now, None, set_aside)
    again = tuple(
        terminal(f"the table {table.family} {table.name} is there again, which was set aside")
        for table in now.tables
        if f"{table.family} {table.name}" in set_aside
    )
    return (*unlike(replace(wanted, tables=()), replace(now, tables=())), *again)


def in_the_way(work: Work, files: Mapping[str, bytes]) -> tuple[str, ...]:
    """What others have put on this machine where the kit would put something else."""
    number = looks.look(work).kept
    old = looks.made(work, number).files if number else None
    return clashes(files, work.host.observe(WAYS.settings_of(files)), old)


def demand_tables(work: Work, set_aside: Collection[str]) -> None:
    """Raises Unusable for a table that is to be set aside and is not there."""
    if set_aside:
        number = looks.look(work).kept
        before = looks.made(work, number).version.set_aside if number else ()
        there = [(table.family, table.name) for table in work.host.observe(()).tables]
        tables.demand(there, set_aside, before)


def diverting(work: Work, plan: Plan, files: Mapping[str, bytes]) -> tuple[Diverting, ...]:
    """What of others on this machine would lead packets elsewhere than a plan whose kit this is."""
    number = looks.look(work).kept
    old = looks.made(work, number).files if number else None
    return diverted.before(work, plan, files, old)


def enact(
    work: Work,
    ready: Ready,
    *,
    why: str = "",
    seconds: float = SECONDS,
    set_aside: Sequence[str] = (),
    judged: Standing | None = None,
    now: datetime,
    left: tuple[str, ...] = (),
    unasked: bool = False,
) -> Enacted:
    """Put it in place on trial. judged: how things stood (`standing`) before it was judged; left:
    areas that stay on the old gateway, where the charter is that of a version that left them; unasked:
    as in `Version`. Raises RolloutRefused where nothing was changed, Unusable."""
    old = kept_plan(work)
    making = Making(
        ready.files,
        ready.source.text,
        work.who,
        why,
        tuple(sorted(f"{one.check}: {one.sentence}" for one in ready.failed)),
        ready.summary,
        tuple(set_aside),
        included=included(ready.source),
        left=left or ready.left,
        unasked=unasked,
    )
    cut: list[Again] = []

    def verified() -> tuple[str, ...]:
        # At once: to read back a long charter takes longer than one who is refused now should go on.
        cut.append(_cut(work, ready.plan, ready.here, old, now))
        return _verified(work, ready.plan, ready.files, now, set_aside, ready.diverting)

    def prepared() -> None:
        _stored(work, ready.plan, old)
        session = ready.here.session
        if session is not None and not is_tracked(session):
            _watch(work, session)

    def led(number: int, files: Mapping[str, bytes], now: HostState) -> Mapping[str, bytes]:
        return as_led_before(work.host, work.paths, old, ready.plan, files, now)

    with deciding(work):
        outcome = rollout.enact(work, making, seconds, verified, judged, prepared, led)
        outcome = _decided_back(work, outcome, cut, ready.here.session, (old, ready.plan), now)
    leading = diverted.sentences(ready.diverting)
    return Enacted(outcome, _both(cut), diverting=leading)


def _stored(work: Work, plan: Plan, *besides: Plan | None) -> None:
    """The lists by which names are withheld are where dnsdist looks them up, before it does. Raises
    RolloutRefused."""
    if plan.names.lists:
        work.told(Step("lists of names are laid out", ()))
    try:
        make_stores(work, plan.names, *(one.names for one in besides if one is not None))
    except EffectFailed as fault:
        help_ = "see netcharter enact --prepare; nothing was changed"
        raise RolloutRefused(f"lists of names could not be laid out: {fault}", help_) from None


def _watch(work: Work, session: Session) -> None:
    """Have the kernel track the session in use, so that the new filter takes it for established.

    Where no rule asks for the state of a conversation nothing is tracked, and the middle of a
    conversation that is not is refused. What is loaded for it is swept by the roll-out
    (`host.swept`). Raises RolloutRefused.
    """
    try:
        work.host.perform(Run(("nft", "-f", "-"), WATCH.encode("ascii")))
    except EffectFailed as fault:
        raise RolloutRefused(str(fault), "nothing was changed") from None
    end = time.monotonic() + WATCHED
    while not is_tracked(session):
        if time.monotonic() > end:
            raise RolloutRefused(
                "no packet of your session was seen, so that it would be cut",
                "press a key now and then while it is put in place; nothing was changed",
            )
        work.told(Step("the session in use is looked for among the open conversations", ()))
        work.host.wait(0.5)


def _verified(
    work: Work,
    plan: Plan,
    files: Mapping[str, bytes],
    now: datetime,
    set_aside: Collection[str],
    told: Collection[Diverting],
) -> tuple[str, ...]:
    """What of the machine is not as planned, read back from it. told: what of others leads packets
    elsewhere, and did before."""
    others = _unlike(work, plan, files, set_aside)
    leading = diverted.after(work, plan, files)
    diverted.was_told(work, leading)
    others += diverted.sentences(one for one in leading if one not in told)
    try:
        found = here(plan, None)
        seen = holds(plan, found.loaded, now, others, found.lines)
    except Unusable as fault:
        return tuple(one.message for one in fault.diagnostics)
    return () if seen.ok else (*others, *_differences(seen))


def _differences(seen: Holds) -> tuple[str, ...]:
    if seen.agreement is None:
        return ("the packet filter is not loaded",)
    return tuple(one.sentence for one in seen.agreement.differences[:3])


def _decided_back(
    work: Work,
    outcome: Waiting | Undone,
    cut: list[Again],
    session: Session | None,
    plans: tuple[Plan | None, Plan | None],
    now: datetime,
) -> Waiting | Undone:
    """Where a version was undone at once by which open conversations had been decided, decide them by
    the one that stands again, one's own session spared: the steward, who would do it else, knows of
    none. plans: that one's, and the one that was undone."""
    if not isinstance(outcome, Undone) or not outcome.over or not cut:
        return outcome
    old, new = plans
    try:
        with work.host.locked(work.paths, "deciding open conversations again", PATIENCE):
            if old is None:
                was_decided(work, STOCK, with_lines_of(new, known(work)))
            else:
                cut.append(_cut(work, old, replace(here(old, None), session=session), new, now))
    except (*REFUSALS, Unusable) as fault:
        note = f"open conversations were not decided again: {fault}"
        return replace(outcome, notes=(*outcome.notes, note))
    return outcome


def _both(cut: Sequence[Again]) -> Again | None:
    """What was cut in all, and what came of the last time."""
    if len(cut) < 2:
        return cut[0] if cut else None
    return replace(cut[-1], cut=tuple(one for again in cut for one in again.cut))


def _cut(work: Work, plan: Plan, found: Here, old: Plan | None, now: datetime) -> Again:
    """Cut what the new plan refuses of the conversations that are open, whose marks the kits wrote
    that stood before; where nothing tells of them, the kit of the old one."""
    session = found.session
    marked = known(work) or with_lines_of(old)
    again = cut_refused(
        plan,
        found,
        work.host.observe(()),
        now,
        numbers=marked.numbers if marked.lines else None,
        spared=[session] if session else [],
    )
    was_decided(work, in_place(looks.look(work)).version, with_lines_of(plan, marked))
    return again


# --- afterwards ----------------------------------------------------------------------------------


def still_holds(work: Work, now: datetime) -> Holds:
    """Is the machine still as the kept version plans it? Raises RolloutRefused, Unusable."""
    number = looks.look(work).kept  # once: another may be kept while this one is read
    plan = None if number is None else _plan_of(work, number)
    if number is None or plan is None:
        raise RolloutRefused("nothing is kept here", "enact a charter, and keep it")
    found = here(plan, None)
    kept = looks.made(work, number)
    leading = diverted.after(work, plan, kept.files)
    unlike = _unlike(work, plan, kept.files, kept.version.set_aside)
    others = (*diverted.sentences(leading), *unlike)
    judged = holds(plan, found.loaded, now, others, found.lines)
    written = written_down(work.host, work.paths)
    notes = tuple(of_another(plan, kept.files, judged.state == "otherwise"))
    if written.out:
        seen, working = work.host.observe(frozenset()), at_work(Path(work.paths.within("steward")))
        notes = (*notes, *left_out(written, plan, seen, now, working))
    return replace(judged, notes=notes)


def happened(work: Work) -> tuple[tuple[Event, ...], tuple[str, ...]]:
    """What happened here, in order, as far as it can be read; and lines that can't, in words.
    Raises EffectFailed."""
    data = work.host.read(work.paths.history) or b""
    return events_of(data), unread(data)


def standing(work: Work) -> Standing:
    """How things stand. Raises RolloutRefused."""
    return looks.look(work)


def free(work: Work) -> Standing:
    """The same where something may begin. Raises RolloutRefused while something is on trial: whose
    it is, and until when."""
    return looks.free(work)


def keep(work: Work) -> Kept:
    """Keep what is on trial, if it is in place as it was proven to be, but for lines that failed
    since, and nothing of others leads packets elsewhere only since. Raises RolloutRefused."""
    old_ones_go(work.paths.root, work.host.utc())

    def plan_of(number: int) -> Plan | None:
        try:
            return _plan_of(work, number)
        except Unusable:
            return None

    def led(number: int, files: Mapping[str, bytes], now: HostState) -> Mapping[str, bytes]:
        plan = plan_of(number)
        return files if plan is None else as_led(work.host, work.paths, plan, files, now)

    def besides(number: int) -> tuple[str, ...]:
        plan = plan_of(number)
        files = looks.made(work, number).files if number != STOCK else {}
        return () if plan is None else diverted.since(work, plan, files)

    return rollout.keep(work, led, besides)


def undo(work: Work, why: str) -> Undone | None:
    """Undo what is on trial; None where nothing is. Raises RolloutRefused."""
    return rollout.undo(work, why)


def back(
    work: Work,
    number: int | None,
    why: str,
    now: datetime,
    seconds: float,
    connection: str | None = None,
) -> Enacted:
    """Put an earlier version in place, on trial, and cut what it refuses, but for the SSH session in
    use (`here.ssh_connection`).

    number: STOCK for the machine without anything of netcharter's; None: what was kept just before.
    Raises RolloutRefused, Unusable.
    """
    if not work.host.names(work.paths.root):
        raise RolloutRefused("nothing of netcharter is kept here", "enact a charter, and keep it")
    judged, target = looks.way_back(work, number)
    old, plan = _known(work), _plan_of(work, target)
    difference = _difference(work, plan, old, now)
    leading = diverting(work, plan, looks.made(work, target).files) if plan else ()
    if plan is not None:
        with work.host.locked(work.paths, STORING, PATIENCE):
            _stored(work, plan, old)
    cut: list[Again] = []
    sessions: list[Session | None] = []

    def verified() -> tuple[str, ...]:
        if plan is None:
            was_decided(work, STOCK, with_lines_of(old, known(work)))
            return ()
        try:
            found = here(plan, connection)
            sessions.append(found.session)
            cut.append(_cut(work, plan, found, old, now))
        except Unusable as fault:
            return tuple(one.message for one in fault.diagnostics)
        made = looks.made(work, target)
        return _verified(work, plan, made.files, now, made.version.set_aside, leading)

    def led(number: int, files: Mapping[str, bytes], there: HostState) -> Mapping[str, bytes]:
        if plan is None:
            return files
        return as_led_before(work.host, work.paths, old, plan, files, there)

    with deciding(work):
        outcome = rollout.back(work, target, seconds, verified, why, difference, judged, led)
        session = sessions[-1] if sessions else None
        outcome = _decided_back(work, outcome, cut, session, (old, plan), now)
    return Enacted(outcome, _both(cut), difference, diverted.sentences(leading))


def _plan_of(work: Work, number: int) -> Plan | None:
    """The plan of a version, None for none of ours. Raises RolloutRefused, Unusable."""
    source = None if number == STOCK else kept_source(work, number)
    return None if source is None else usable_plan(source).plan


def _difference(work: Work, plan: Plan | None, old: Plan | None, now: datetime) -> str:
    """What going back changes, in a sentence, against what the kernel has loaded. That it can't be
    told keeps nobody from going back."""
    if plan is None:
        return "nothing of netcharter's decides any more"
    try:
        found = here(plan, None)
        seen = changes(found.loaded, plan, now, old, found.lines, otherwise_same=as_kept(work))
    except (*REFUSALS, Unusable) as fault:
        reason = fault.diagnostics[0].message if isinstance(fault, Unusable) else str(fault)
        return f"which connections change can't be told: {reason}"
    return seen.summary


def _known(work: Work) -> Plan | None:
    """The plan that is kept, as far as it can still be read: one goes back because it can't be."""
    try:
        return kept_plan(work)
    except Unusable:
        return None


def boot(work: Work) -> Booted:
    """Bring up what is kept. Raises RolloutRefused, EffectFailed."""
    old_ones_go(work.paths.root, work.host.utc())
    return _with_lists(work, rollout.boot(work))


def _with_lists(work: Work, booted: Booted) -> Booted:
    """That lists of names are not where they are looked up keeps nothing else from coming up; nor
    does a charter that can't be read any more, which is told elsewhere."""
    try:
        plan = _known(work)
        if plan is not None and plan.names.lists:
            with work.host.locked(work.paths, STORING, PATIENCE):
                make_stores(work, plan.names)
    except REFUSALS as fault:
        note = f"lists of names are not laid out, and withhold nothing: {fault}"
        return replace(booted, notes=(*booted.notes, note))
    return booted


def mend(work: Work) -> Booted:
    """Put what is kept in place again. Raises RolloutRefused, EffectFailed."""
    return _with_lists(work, rollout.boot(work, "mended"))


def zone(work: Work) -> str:
    """The time zone of the site that is kept; UTC where none is, or it can't be read."""
    try:
        plan = kept_plan(work)
    except (*REFUSALS, Unusable):
        return "UTC"
    return "UTC" if plan is None else plan.timezone
