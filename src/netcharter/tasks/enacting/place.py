"""Which version is in place, and by which one open conversations were decided again last.

What was decided is written down in the state folder, under the lock. So whoever looks later sees
that another version stands by now, whoever brought it back, and knows how the kits that stood since
the machine was started have numbered its lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field

from netcharter.plan.shapes import Plan
from netcharter.rollout.host import Host, Work
from netcharter.rollout.reading import Fields, fields, written
from netcharter.rollout.shapes import Remove, Write
from netcharter.rollout.store import STOCK, Paths, Process, Standing
from netcharter.rollout.trouble import EffectFailed, StateBroken

DECIDED, DECIDING = "decided.json", "deciding.json"


@dataclass(frozen=True, slots=True)
class Place:
    """version: that stands, or is being put in place, STOCK for none of ours; whole: else the
    machine is between two versions."""

    version: int
    whole: bool = True


def in_place(standing: Standing) -> Place:
    """The version on trial while its trial is open, else the one that is kept. One that is being
    undone counts no more."""
    trial = standing.trial
    if trial is None or standing.situation != "open":
        return Place(standing.kept or STOCK)
    if trial.phase == "undoing":
        return Place(trial.previous or STOCK, whole=False)
    return Place(trial.version, whole=trial.phase == "waiting")


@dataclass(frozen=True, slots=True)
class Decided:
    """version: by which open conversations were decided again last. boot: the start of the machine
    since when; lines: of each number that kits have written in marks since then, None where not all
    of them mean the same line."""

    version: int
    boot: str = ""
    lines: Mapping[int, str | None] = field(default_factory=dict)

    @property
    def numbers(self) -> dict[int, str]:
        """Those that mean one line."""
        return {number: name for number, name in self.lines.items() if name is not None}


def decided(host: Host, paths: Paths) -> Decided | None:
    """None where nothing was decided yet. Raises StateBroken, EffectFailed."""
    data = host.read(paths.within(DECIDED))
    return None if data is None else _read(fields(DECIDED, data))


def _read(found: Fields) -> Decided:
    lines: dict[int, str | None] = {}
    for text, name in found.table("lines").items():
        if not text.isdecimal() or len(text) > 9:
            raise found.broken("lines", "a table with numbers of lines")
        lines[int(text)] = name or None
    return Decided(found.whole("version"), found.text("boot"), lines)


def known(work: Work) -> Decided | None:
    """What was decided since the machine was started; the kernel has no older marks. A file that
    can't be used tells nothing. Raises EffectFailed."""
    try:
        found = decided(work.host, work.paths)
    except StateBroken:
        return None
    return found if found is not None and found.boot == work.host.boot_id() else None


def with_lines_of(plan: Plan | None, before: Decided | None = None) -> Decided:
    """What is known of marks once a plan's kit stands as well; None: none of ours."""
    lines = dict(before.lines) if before is not None else {}
    for line in plan.lines if plan is not None else ():
        lines[line.number] = line.name if lines.get(line.number, line.name) == line.name else None
    return Decided(before.version if before is not None else STOCK, lines=lines)


def was_decided(work: Work, version: int, marked: Decided) -> None:
    """Write down that open conversations were decided again by a version, STOCK for none of ours,
    and what is known of marks. The lock is held. Raises EffectFailed."""
    table = {str(number): name or "" for number, name in sorted(marked.lines.items())}
    content = {"version": version, "boot": work.host.boot_id(), "lines": table}
    work.host.perform(Write(work.paths.within(DECIDED), written(content)))


@contextmanager
def deciding(work: Work) -> Iterator[None]:
    """This process undoes, and decides then. A disk that is full keeps it from neither."""
    path = work.paths.within(DECIDING)
    process = work.host.this_process()
    with suppress(EffectFailed):
        work.host.perform(Write(path, written(asdict(process))))
    try:
        yield
    finally:
        with suppress(EffectFailed):
            work.host.perform(Remove(path))


def is_deciding(host: Host, paths: Paths) -> bool:
    """Whether somebody who said so is at it still. Raises EffectFailed."""
    data = host.read(paths.within(DECIDING))
    if data is None:
        return False
    try:
        found = fields(DECIDING, data)
        return host.lives(Process(found.whole("pid"), found.whole("started")))
    except StateBroken:
        return False
