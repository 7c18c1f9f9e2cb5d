"""The state folder as values: what is kept, what is on trial, what happened, and what follows.

Nothing here reads or writes. What boot brings up is decided by one symbolic link, `kept`, so that
it can't be a mixture. A trial is over as soon as that link leads to its version.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Literal, get_args

from netcharter.rollout.reading import Fields, fields, instant_text, line, rounded, written
from netcharter.rollout.trouble import RolloutRefused, StateBroken

FORMAT = 1  # of the state folder
STOCK = 0  # the number that stands for the host without any version of ours
MANIFEST = "manifest.json"
_FORMAT_TEXT = re.compile(rb"netcharter state ([0-9]{1,6})\n")
_LINK = re.compile(r"versions/([0-9]{4,9})")
_FOLDER = re.compile(r"[0-9]{4,9}")

Phase = Literal["changing", "waiting", "undoing"]
What = Literal[
    "enacted", "kept", "undone", "not undone", "restored at boot", "restored", "mended", "refused"
]  # fmt: skip
Situation = Literal["quiet", "decided", "overtaken", "unbegun", "open"]
Fate = Literal["kept", "on trial", "undone", "was kept", "staged"]


# --- where everything is ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Paths:
    """The places in a state folder. root: its path."""

    root: str

    def within(self, *names: str) -> str:
        return "/".join((self.root.rstrip("/"), *names))

    @property
    def lock(self) -> str:
        return self.within("lock")

    @property
    def format(self) -> str:
        return self.within("format")

    @property
    def versions(self) -> str:
        return self.within("versions")

    @property
    def kept(self) -> str:
        return self.within("kept")

    @property
    def trial(self) -> str:
        return self.within("trial")

    @property
    def trial_file(self) -> str:
        return self.within("trial", "trial.json")

    @property
    def before(self) -> str:
        return self.within("trial", "before.json")

    @property
    def placed(self) -> str:
        """What of the packet filter was proven to be as planned, when the trial began to wait."""
        return self.within("trial", "placed.json")

    @property
    def armed(self) -> str:
        return self.within("trial", "armed")

    @property
    def said(self) -> str:
        """What the undo timer complains about, if it does."""
        return self.within("trial", "said")

    @property
    def history(self) -> str:
        return self.within("history.jsonl")

    def version(self, number: int, *names: str) -> str:
        return self.within("versions", f"{number:04}", *names)


def link_to(number: int) -> str | None:
    """What `kept` says when this version is kept; None for no link."""
    return None if number == STOCK else f"versions/{number:04}"


def called(number: int) -> str:
    """What people call a version."""
    return "what was here before netcharter" if number == STOCK else f"version {number}"


def kept_by(target: str | None) -> int | None:
    """The version that a link leads to; None where there is no link. Raises StateBroken."""
    if target is None:
        return None
    if not target:
        raise StateBroken("kept", "it is no link to a version")
    found = _LINK.fullmatch(target)
    if found is None or int(found[1]) == STOCK:
        raise StateBroken("kept", "the link doesn't lead to a version")
    return int(found[1])


def numbers(names: Iterable[str]) -> tuple[int, ...]:
    """The versions among the names in the folder of versions, in order."""
    return tuple(sorted(int(name) for name in names if _FOLDER.fullmatch(name)))


def format_text() -> bytes:
    """The file that says by which rules the folder is laid out."""
    return f"netcharter state {FORMAT}\n".encode("ascii")


def check_format(data: bytes | None, names: Collection[str]) -> None:
    """Raises RolloutRefused where the folder follows other rules than these.

    data: of the file, None if it is missing, which it may be where nothing of ours is yet. names:
    what is in the folder.
    """
    if data is None:
        if {"versions", "kept", "trial"} & set(names):
            raise StateBroken("format", "it is missing, though versions are there")
        return
    found = _FORMAT_TEXT.fullmatch(data)
    if found is None:
        why = "it doesn't say how the folder is laid out" if data.strip() else "it is empty"
        raise StateBroken("format", why)
    if int(found[1]) != FORMAT:
        raise RolloutRefused(
            f"the state folder is laid out for another version of netcharter"
            f" (layout {int(found[1])}; this one knows layout {FORMAT})",
            "use that version, or another state folder; nothing was changed",
        )


# --- a version ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Version:
    """A kit that was put in place once. digest: of the kit's manifest; previous: what was kept
    then, None if nothing was; overrides: checks that the keeper waived, by name; difference: what it
    changed, in a sentence; set_aside: tables of nftables of others that go while it is in place; left:
    areas that stay on the old gateway for now; unasked: the machine made it itself, of the charter
    that was kept."""

    number: int
    digest: str
    who: str
    when: datetime
    why: str = ""
    overrides: tuple[str, ...] = ()
    previous: int | None = None
    difference: str = ""
    set_aside: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    unasked: bool = False


def version_text(version: Version) -> bytes:
    return written({**asdict(version), "when": instant_text(version.when)})


def version_of(place: str, data: bytes) -> Version:
    """Raises StateBroken."""
    found = fields(place, data)
    version = Version(
        found.whole("number"),
        found.text("digest"),
        found.text("who"),
        found.instant("when"),
        found.text("why"),
        found.texts("overrides"),
        found.maybe("previous", found.whole),
        found.text("difference"),
        found.texts("set_aside"),
        found.maybe("left", found.texts) or (),
        found.maybe("unasked", found.yes) or False,
    )
    if version.number == 0 or version.number == version.previous:
        raise StateBroken(place, "its number can't be")
    return version


def digest_of(files: Mapping[str, bytes]) -> str:
    """SHA-256 of a kit's manifest, which has those of all other files."""
    return hashlib.sha256(files.get(MANIFEST, b"")).hexdigest()


def check_kit(version: Version, files: Mapping[str, bytes]) -> None:
    """Raises StateBroken unless these are the files that were put in place as that version."""
    place = f"versions/{version.number:04}/kit"
    if MANIFEST not in files or digest_of(files) != version.digest:
        raise StateBroken(f"{place}/{MANIFEST}", "it is not the one that was put in place")
    listed = fields(f"{place}/{MANIFEST}", files[MANIFEST]).inside("files")
    for name in sorted(set(files) - {MANIFEST} | set(listed)):
        entry = listed.get(name)
        found = hashlib.sha256(files[name]).hexdigest() if name in files else None
        if entry is None or entry.text("sha256") != found:
            raise StateBroken(f"{place}/{name}", "it is not the file that was put in place")


# --- a trial ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trial:
    """A version under way, or the way back to the host without any (STOCK).

    previous: what was kept when it began, and is until it is kept; None for nothing of ours.
    deadline: when it is undone, for people; deadline_boot: the same in seconds of the clock that
    counts from boot, sleep included, for the timer; boot_id: of the boot that clock belongs to.
    """

    version: int
    previous: int | None
    phase: Phase
    who: str
    deadline: datetime
    deadline_boot: float
    boot_id: str


@dataclass(frozen=True, slots=True)
class Process:
    """A process, so that no other can be taken for it. started: when, in ticks from boot."""

    pid: int
    started: int


def trial_text(trial: Trial) -> bytes:
    """Raises ValueError for a trial that would count as kept from its beginning."""
    if trial.version == (trial.previous or STOCK):
        raise ValueError("a version that is kept can't be on trial")
    instant = instant_text(trial.deadline)
    return written(
        {**asdict(trial), "deadline": instant, "deadline_boot": rounded(trial.deadline_boot)}
    )


def trial_of(place: str, data: bytes) -> Trial:
    """Raises StateBroken."""
    found = fields(place, data)
    trial = Trial(
        found.whole("version"),
        found.maybe("previous", found.whole),
        found.one_of("phase", get_args(Phase)),
        found.text("who"),
        found.instant("deadline"),
        found.number("deadline_boot"),
        found.text("boot_id"),
    )
    if trial.version == (trial.previous or STOCK):
        raise StateBroken(place, "its version can't be on trial")
    return trial


@dataclass(frozen=True, slots=True)
class Armed:
    """The undo timer of a version, as it tells of itself once it is ready to undo it."""

    version: int
    process: Process


def armed_text(armed: Armed) -> bytes:
    return written({"version": armed.version, **asdict(armed.process)})


def armed_of(place: str, data: bytes) -> Armed:
    """Raises StateBroken."""
    found = fields(place, data)
    return Armed(found.whole("version"), Process(found.whole("pid"), found.whole("started")))


@dataclass(frozen=True, slots=True)
class Holder:
    """Who has the lock. what: the work in words; since: from when on."""

    process: Process
    what: str
    since: datetime


def holder_text(holder: Holder) -> bytes:
    return written(
        {**asdict(holder.process), "what": holder.what, "since": instant_text(holder.since)}
    )


def holder_of(place: str, data: bytes) -> Holder:
    """Raises StateBroken."""
    found = fields(place, data)
    process = Process(found.whole("pid"), found.whole("started"))
    return Holder(process, found.text("what"), found.instant("since"))


# --- what follows -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand. kept: the version that boot brings up, None for none of ours.

    situation: `quiet`, no trial. `decided`, its version is kept, and only tidying is left.
    `overtaken`, the machine was started anew meanwhile, which took the live changes away.
    `unbegun`, the timer was never armed, so nothing has been changed. `open`, the host is, or may
    be, as no link says.
    """

    kept: int | None
    trial: Trial | None
    situation: Situation


def standing(kept: int | None, trial: Trial | None, armed: bool, boot_id: str) -> Standing:
    """How things stand, from the link, the trial's file, whether its timer was armed, this boot."""
    return Standing(kept, trial, _situation(kept, trial, armed, boot_id))


def _situation(kept: int | None, trial: Trial | None, armed: bool, boot_id: str) -> Situation:
    if trial is None:
        return "quiet"
    if (kept or STOCK) == trial.version:
        return "decided"
    if trial.boot_id != boot_id:
        return "overtaken"
    return "open" if armed else "unbegun"


BootDoes = Literal["bring up", "tidy, bring up", "wait", "undo, bring up"]


def boot_does(now: Standing, timer_lives: bool) -> BootDoes:
    """What boot has to do. In the boot of an open trial it is no boot: somebody called it by hand,
    and it waits for the trial's timer, unless that is dead."""
    if now.situation == "open":
        return "wait" if timer_lives else "undo, bring up"
    return "bring up" if now.situation == "quiet" else "tidy, bring up"


TimerDoes = Literal["end", "sleep", "tidy", "undo"]


def timer_looks(trial: Trial | None, version: int, boot_id: str, clock: float) -> TimerDoes:
    """What the timer of a version has to do, before it has the lock: `undo` is to take it first.

    While something changes the lock is held, so a phase in which it can be had is one whose
    process died: that is undone without waiting. clock: seconds from boot.
    """
    if trial is None or trial.version != version or trial.boot_id != boot_id:
        return "end"
    if trial.phase != "waiting" or clock >= trial.deadline_boot:
        return "undo"
    return "sleep"


def timer_does(now: Standing, version: int, boot_id: str, clock: float) -> TimerDoes:
    """The same, when it has the lock: what it saw before may have been decided meanwhile."""
    if now.situation == "decided" and (now.kept or STOCK) == version:
        return "tidy"
    if now.situation != "open":
        return "end"
    return timer_looks(now.trial, version, boot_id, clock)


def may_keep(now: Standing) -> Trial:
    """The trial that is to be kept. Raises RolloutRefused if there is none to keep."""
    trial = now.trial
    if trial is None or now.situation in ("overtaken", "unbegun"):
        raise RolloutRefused(
            "nothing is on trial" if trial is None else f"{called(trial.version)} is not in place",
            "enact a charter first",
        )
    if now.situation == "open" and trial.phase != "waiting":
        doing = "is being undone" if trial.phase == "undoing" else "is not in place as a whole"
        raise RolloutRefused(f"{called(trial.version)} {doing}", "look again in a minute")
    return trial


def may_begin(now: Standing, timer_lives: bool = True) -> None:
    """Raises RolloutRefused while another trial is under way."""
    if now.situation == "open" and now.trial is not None:
        trial = now.trial
        if not timer_lives:
            raise RolloutRefused(
                f"{called(trial.version)} is on trial, put in place by {trial.who}, and its undo"
                " timer has died",
                "keep it or undo it first; by itself it is not undone before the next boot",
            )
        raise RolloutRefused(
            f"{called(trial.version)} is on trial: {trial.who} put it in place, and it is undone at"
            f" {instant_text(trial.deadline)}",
            "keep it or undo it first",
        )


def may_be_judged_by(then: Standing | None, now: Standing) -> None:
    """Raises RolloutRefused where what is kept is no longer what it was judged against. then: how
    things stood when that began; None: nothing was judged."""
    if then is not None and then.kept != now.kept:
        kept, before = (called(one.kept or STOCK) for one in (now, then))
        raise RolloutRefused(
            f"{kept} was kept meanwhile; this was judged against {before}",
            "call it again, so that it is judged anew; nothing was changed",
        )


def back_to(
    wanted: int | None,
    kept: int | None,
    versions: Mapping[int, Version],
    events: Sequence[Event] = (),
) -> int:
    """The version that `undo` leads to when nothing is on trial; STOCK: the host as it was before
    any of ours.

    wanted: the number that was asked for; None: what was kept just before what is kept now. events:
    what happened, in order. Raises RolloutRefused if it leads nowhere.
    """
    known = ", ".join(map(str, sorted(versions))) or "none"
    if kept is None and wanted == STOCK:
        raise RolloutRefused("nothing of netcharter is kept here", "nothing is to be undone")
    if wanted is None:
        wanted = _before(kept, versions, events)
    elif wanted == kept:
        raise RolloutRefused(f"version {wanted} is what is kept", "nothing is to be undone")
    if wanted != STOCK and wanted not in versions:
        raise RolloutRefused(f"there is no version {wanted}", f"there is: {known}")
    return wanted


def _before(kept: int | None, versions: Mapping[int, Version], events: Sequence[Event]) -> int:
    """What was kept last that is not kept now. Where the history does not tell, what was kept when
    the version was made."""
    if kept is not None and kept not in versions:
        raise StateBroken(f"version {kept}", "it is kept, and not there")
    there = {STOCK, *versions}  # those that the machine made itself go in time
    stood = [n for n in _kept_here(events) if n != (kept or STOCK) and n in there]
    if stood:
        return stood[-1]
    if kept is None:
        known = ", ".join(map(str, sorted(versions))) or "none"
        raise RolloutRefused("nothing of netcharter is kept here", f"name a version: {known}")
    return versions[kept].previous or STOCK


def _kept_here(events: Sequence[Event]) -> list[int]:
    """What was kept on this machine, in order; what happened before a copy was taken back happened
    on another."""
    found: list[int] = []
    for event in events:
        if event.what == "restored":
            found.clear()
        elif event.what == "kept" and event.version is not None:
            found.append(event.version)
    return found


# --- what happened ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened. version: None where it belongs to none."""

    when: datetime
    who: str
    what: What
    version: int | None = None
    digest: str = ""
    why: str = ""
    difference: str = ""


def event_line(event: Event) -> str:
    return line({**asdict(event), "when": instant_text(event.when)})


def events_of(data: bytes) -> tuple[Event, ...]:
    """All that happened, in order, as far as it can be read."""
    return tuple(line for line in _lines(data) if isinstance(line, Event))


def unread(data: bytes) -> tuple[str, ...]:
    """The lines of a history that tell nothing, each by its number and what is wrong with it."""
    return tuple(line.reason for line in _lines(data) if isinstance(line, StateBroken))


def _lines(data: bytes) -> Iterator[Event | StateBroken]:
    for number, text in enumerate(data.split(b"\n"), 1):
        if text:
            try:
                yield _event(fields(f"history.jsonl, line {number}", text))
            except StateBroken as problem:
                yield problem


def _event(found: Fields) -> Event:
    return Event(
        found.instant("when"),
        found.text("who"),
        found.one_of("what", get_args(What)),
        found.maybe("version", found.whole),
        found.text("digest"),
        found.text("why"),
        found.text("difference"),
    )


def with_event(data: bytes, event: Event) -> bytes:
    """The history with one more line.

    A last line that was cut off is ended first. What stands there already is not told twice: who
    was killed between telling and tidying has its work done by another.
    """
    if data and not data.endswith(b"\n"):
        data += b"\n"
    if told(data, event):
        return data
    return data + event_line(event).encode("ascii") + b"\n"


def told(data: bytes, event: Event) -> bool:
    """Whether the last line says just this of this version."""
    last = data.rstrip(b"\n").rpartition(b"\n")[2]
    if not last or event.what not in ("kept", "undone"):
        return False
    try:
        found = _event(fields("history.jsonl", last))
    except StateBroken:
        return False
    return (found.what, found.version) == (event.what, event.version)


@dataclass(frozen=True, slots=True)
class Row:
    """A version for a list of them. until: when its trial ends, if it is on trial."""

    version: Version
    fate: Fate
    until: datetime | None = None


def rows(
    versions: Mapping[int, Version], events: Sequence[Event], now: Standing
) -> tuple[Row, ...]:
    """All versions, the newest first, with what became of each.

    Texts in it come from files: what prints them makes them safe.
    """
    fates: dict[int, Fate] = {}
    for event in events:
        if event.version is not None and event.what in ("kept", "undone"):
            if event.what == "kept":
                fates[event.version] = "was kept"
            elif fates.get(event.version) != "was kept":
                fates[event.version] = "undone"
    listed = []
    for number in sorted(versions, reverse=True):
        row = Row(versions[number], fates.get(number, "staged"))
        if number == now.kept:
            row = replace(row, fate="kept")
        elif now.situation == "open" and now.trial is not None and now.trial.version == number:
            row = replace(row, fate="on trial", until=now.trial.deadline)
        listed.append(row)
    return tuple(listed)
