"""`steward`: the service on the gateway, and what it answers when it is asked."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import Any

from netcharter.charter.read import Loader
from netcharter.render.withholding_rules import HOURS
from netcharter.rollout import looks
from netcharter.rollout.host import Work
from netcharter.rollout.places import STATE
from netcharter.rollout.run import files
from netcharter.rollout.run.lock import holder, locked
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.run.trust import demand_own
from netcharter.rollout.store import STOCK, Paths, kept_by
from netcharter.rollout.trouble import EffectFailed, RolloutRefused, StateBroken
from netcharter.rollout.units import beside
from netcharter.rollout.ways import WAYS
from netcharter.steward import learnt
from netcharter.steward.duties import (
    addresses,
    conversations,
    health,
    holds,
    hours,
    leading,
    lines,
    lists,
    names,
    prefixes,
    updates,
)
from netcharter.steward.loop.delivery import NotDelivered, encryption, secret
from netcharter.steward.loop.door import ask as ask_steward
from netcharter.steward.loop.process import serve
from netcharter.steward.loop.world import Handed, RealWorld
from netcharter.steward.places import SOCKET
from netcharter.steward.schedule import schedule
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import Duty, Schedule, Stands
from netcharter.steward.unit import GROUP, steward_unit
from netcharter.tasks.enacting import place
from netcharter.tasks.enacting.acts import LEARNT
from netcharter.tasks.keeping import NotAKit, kept_areas
from netcharter.tasks.sources import Source, Unreadable, unusable, usable_plan
from netcharter.tasks.steward_asks import (
    asked_by,
    cut_by,
    mended_by,
    refreshed_by,
    renumbered_by,
)
from netcharter.tasks.steward_settings import Lookers, read_settings
from netcharter.tasks.units import PROGRAM

__all__ = ["GROUP", "SOCKET", "STATE", "Answer", "ask", "duties", "handed", "run", "unit"]

SETTINGS = "steward.yaml"
NAME = "steward"  # in the history


# --- at work -------------------------------------------------------------------------------------


def run(state: Path, socket: str, given: Handed | None = None) -> None:
    """Be the steward until told to stop. Raises Unusable where that can't be.

    given: what others do for it; else what this machine's state folder tells, and no more.
    """
    try:
        demand_own(str(state))
    except RolloutRefused as fault:
        raise unusable("cannot-read", fault.reason, "--state", str(state), fault.remedy) from None
    settings = _settings(state)
    hands = given or handed(state)
    beside = os.path.join(os.path.dirname(socket), os.path.basename(HOURS))
    world = RealWorld(state, settings, hands, beside)
    try:
        serve(world, duties(settings, hands), settings.channels, socket, GROUP, os.environ)
    except EffectFailed as fault:
        raise unusable("cannot-write", str(fault), "--state", str(state), None) from None
    except RolloutRefused as fault:
        raise unusable("cannot-write", fault.reason, "--state", str(state), fault.remedy) from None


def duties(settings: Settings, hands: Handed) -> tuple[Duty[Any], ...]:
    """The duties that there is something to do for."""
    found: list[Duty[Any]] = [hours.duty(settings.trust_clock), names.duty(settings.trust_clock)]
    found.append(lines.duty())
    found += [health.duty(), updates.duty(), addresses.duty(), leading.duty()]
    if hands.renumber is not None:
        found.append(prefixes.duty())
    if hands.refresh is not None:
        found.append(lists.duty())
    if hands.decide_again is not None:
        found.append(conversations.duty(settings.trust_clock))
    if hands.holds is not None:
        found.append(holds.duty(settings.mend and hands.mend is not None))
    return tuple(found)


def handed(state: Path) -> Handed:
    """What the state folder tells: the schedule of what is in place. Whether the kernel holds, and
    which conversations are refused now, is asked of processes of their own."""
    rest = ("--json", "--state", os.path.abspath(state))  # they are run in the root folder

    def not_to_be_asked() -> bool:
        now = looks.look(_work(state))
        return now.situation == "open" or now.kept is None

    return Handed(
        lambda: in_place(state),
        lambda: stamp(state),
        holds=asked_by((*PROGRAM, "holds", *rest), not_to_be_asked),
        decide_again=cut_by((*PROGRAM, "cut", "--spare-none", *rest)),
        mend=mended_by((*PROGRAM, "boot", "--mended-by", NAME, *rest)),
        stands=lambda: stands(state),
        changing=lambda: changing(state),
        alone=lambda: alone(state),
        delegated=lambda: delegated(state),
        renumber=renumbered_by(_outside((*PROGRAM, "renumber", "--by", NAME, *rest))),
        published=lambda: published(state),
        refresh=refreshed_by(_outside((*PROGRAM, "refresh", "--by", NAME, *rest))),
    )


def _outside(command: tuple[str, ...]) -> tuple[str, ...]:
    """A program beside the steward's unit, if that is one: it may do less than a new version takes."""
    return beside(command) if os.environ.get("INVOCATION_ID") else command  # of systemd.exec(5)


def delegated(state: Path) -> str:
    """What is kept, and what its lines are delegated just now; "" where none asks. Raises
    EffectFailed."""
    paths = Paths(str(state))
    kept, said = _manifest(paths)
    try:
        asking = {name: int(said["lines"][name]) for name in said.get("delegated", {})}
    except (ValueError, KeyError, TypeError, AttributeError):
        return ""
    told = {
        name: learnt.read(files.read(paths.within(LEARNT, str(number))) or b"")
        for name, number in sorted(asking.items())
    }
    return f"{kept} {learnt.mark(told)}" if asking else ""


def _manifest(paths: Paths) -> tuple[int | None, Any]:
    """Which version is kept, and what the manifest of its kit says, nothing where that can't be read.
    Raises EffectFailed."""
    try:
        kept = kept_by(files.link(paths.kept))
        manifest = files.read(paths.version(kept, "kit", "manifest.json")) if kept else None
        return kept, json.loads(manifest or b"{}")
    except (StateBroken, ValueError):
        return None, {}


def published(state: Path) -> str:
    """What is kept, where that fetches lists; "" where it fetches none. Raises EffectFailed."""
    kept, said = _manifest(Paths(str(state)))
    return str(kept) if isinstance(said, dict) and said.get("fetched") else ""


def _work(state: Path) -> Work:
    return Work(RealHost(), Paths(str(state)), WAYS, NAME)


def in_place(state: Path) -> Schedule | None:
    """The schedule of the version that is in place: the one on trial, else the one that is kept.

    Raises Unusable, RolloutRefused or EffectFailed where its charter can't be used.
    """
    work = _work(state)
    number = place.in_place(looks.look(work)).version
    if number == STOCK:
        return None
    folder = Path(work.paths.version(number))
    text, manifest = (files.read(str(folder / n)) for n in ("charter.yaml", "kit/manifest.json"))
    if text is None:
        raise StateBroken(f"version {number}", "its charter is missing")
    try:
        kept = None if manifest is None else kept_areas("manifest.json", manifest)
    except NotAKit as fault:
        raise StateBroken(f"version {number}", f"of its manifest: {fault}") from None
    beside = _included(folder / "included")
    source = Source("charter.yaml", text, beside, kept, stand_ins=False, lists=None)
    return schedule(usable_plan(source).plan, number)


def stands(state: Path) -> Stands:
    """Which version stands, and by which open conversations were decided. While that can't be told
    nobody is to be cut for it. Raises EffectFailed."""
    work = _work(state)
    try:
        found = place.in_place(looks.look(work))
        decided = place.decided(work.host, work.paths)
        busy = not found.whole or place.is_deciding(work.host, work.paths)
    except RolloutRefused:
        return Stands()
    return Stands(found.version, None if decided is None else decided.version, busy)


def changing(state: Path) -> bool:
    """Whether somebody leads the machine from one version to another just now. One who was ended in
    the midst of it does not. Raises EffectFailed."""
    work = _work(state)
    try:
        whole = place.in_place(looks.look(work)).whole
    except RolloutRefused:
        return False
    return not whole and holder(work.paths.lock) is not None


@contextmanager
def alone(state: Path) -> Iterator[bool]:
    """Whether nobody else changes the machine; then nobody begins to before this ends."""
    with ExitStack() as stack:
        try:
            stack.enter_context(locked(Paths(str(state)).lock, "leading new conversations", 0.0))
            free = True
        except RolloutRefused:
            free = False
        yield free


def _included(folder: Path) -> Loader:
    def load(name: str) -> bytes:
        data = files.read(str(folder / name))
        if data is None:
            raise Unreadable("it is not in the version's folder")
        return data

    return load


def stamp(state: Path) -> str:
    """Other whenever `in_place` may be; cheap."""
    paths = Paths(str(state))
    try:
        link = files.link(paths.kept)
    except EffectFailed:
        link = None
    return f"{link} {_when(paths.trial_file)} {_when(paths.armed)}"


def _when(path: str) -> str:
    try:
        found = os.stat(path)
    except OSError:
        return ""
    return f"{found.st_ino} {found.st_mtime_ns}"


def _settings(state: Path) -> Settings:
    path = state / SETTINGS
    try:
        data = files.read(str(path))
    except EffectFailed as fault:
        raise unusable("cannot-read", fault.said, "--state", str(path), None) from None
    return Settings() if data is None else read_settings(str(path), data, LOOKERS)


def _looker(use: Callable[[str], object]) -> Callable[[str], str | None]:
    """What is wrong with a file, by using it."""

    def fault_of(path: str) -> str | None:
        try:
            use(path)
        except NotDelivered as fault:
            return str(fault)
        return None

    return fault_of


LOOKERS = Lookers(_looker(secret), _looker(encryption))


def unit(state: Path, socket: str, group: bool) -> str:
    """The unit of the service manager that runs this very program as the steward, with what the
    settings in the state folder need. Raises Unusable."""
    command = [*PROGRAM, "steward"]
    command += ["--state", str(state)] if str(state) != STATE else []
    command += ["--socket", socket] if socket != SOCKET else []
    folders = [str(state)] if str(state) != STATE else []
    folders += [os.path.dirname(socket)] if socket != SOCKET else []
    mends = _settings(state).mend
    try:
        return steward_unit(command, group, mends, folders)
    except ValueError as fault:
        help_ = "name another folder or socket"
        raise unusable("bad-text", str(fault), "--state", str(state), help_) from None


# --- asked ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Answer:
    """What the steward says: the status document, or that something was done."""

    said: Mapping[str, Any]

    @property
    def ok(self) -> bool:
        """Whether no alarm lasts and no duty fails; of a request, whether it was done."""
        return bool(self.said["ok"])

    def as_json(self) -> Mapping[str, Any]:
        """As docs/reference/json.md has it."""
        return self.said

    def lines(self, width: int) -> Iterator[str]:
        """The answer for people."""
        if "duties" not in self.said:
            until = self.said.get("until")
            yield "done" if until is None else f"silent until {_moment(until)}"
            return
        yield from _status(self.said, width)


def ask(socket: str, request: Mapping[str, Any]) -> Answer:
    """Ask the steward. Raises Unusable where none answers, or refuses."""
    try:
        said = json.loads(ask_steward(socket, request))
    except (OSError, ValueError) as fault:
        why = (getattr(fault, "strerror", None) or str(fault) or "it does not answer").lower()
        raise unusable(
            "cannot-read", f"no steward answers: {why}", "--socket", socket,
            "see whether it runs: systemctl status netcharter-steward",
        ) from None  # fmt: skip
    if "fault" in said:
        raise unusable("bad-text", str(said["fault"]), "request", json.dumps(request), None)
    return Answer(said)


def _status(said: Mapping[str, Any], width: int) -> Iterator[str]:
    where = f" of {said['site']}" if said["site"] else ""
    version = f", version {said['version']}" if said["version"] else ""
    yield f"The steward{where}{version}: at work since {_moment(said['since'])}."
    if not said["synchronised"]:
        yield "The clock is not synchronised."
    yield "duties:"
    for duty in said["duties"]:
        yield from _item(f"{duty['name']}: {duty['about']}: {_going(duty)}", width)
    yield "alarms:" if said["alarms"] else "No alarm lasts."
    for alarm in said["alarms"]:
        quiet = alarm["silent_until"]
        silent = f"; silent until {_moment(quiet)}" if quiet else ""
        text = f"{alarm['severity']}: {alarm['text']} ({alarm['matter']}, since"
        yield from _item(f"{text} {_moment(alarm['began'])}{silent})", width)
    if said["sets"]:
        kept = all(alarm["matter"] != "hours/clock" for alarm in said["alarms"])
        yield "hours:" if kept else "hours, as they will be kept once the clock is synchronised:"
    for one in said["sets"]:
        yield from _item(_hours(one), width)
    if said["names"]:
        yield "hours of names rules:"
    for one in said["names"]:
        yield from _item(_names(one), width)
    if said["lines"]:
        yield "lines:"
    for one in said["lines"]:
        yield from _item(_line(one), width)
    yield from _item(_cutting(said["cutting"]), width)
    for waiting in said["waiting"]:
        yield f"{waiting['letters']} messages wait for {waiting['channel']}."


def _item(text: str, width: int) -> Iterator[str]:
    yield from wrap(text, width, initial_indent="  - ", subsequent_indent="    ",
                    break_on_hyphens=False, break_long_words=False)  # fmt: skip


def _going(duty: Mapping[str, Any]) -> str:
    if duty["state"] == "failing":
        return f"FAILS ({duty['failures']} times in a row: {duty['fault']})"
    if duty["state"] == "waiting":
        return "has not had a turn yet"
    return f"well, next at {_moment(duty['due'])}"


def _cutting(said: Mapping[str, Any]) -> str:
    waits = "; they are to be decided again" if said["waits"] else ""
    if said["at"] is None:
        return f"open conversations: not decided again yet{waits}"
    return (
        f"open conversations: decided again at {_moment(said['at'])}, {said['after'] / 1000:.1f} s "
        f"after it was asked for: {said['cut']} cut, {said['doubtful']} left since it can't be "
        f"told, {said['kept']} go on{waits}"
    )


def _line(one: Mapping[str, Any]) -> str:
    why = f" ({one['why']})" if one["why"] else ""
    worth = [f"{one['loss']} % lost"] if one["loss"] is not None else []
    worth += [f"{one['delay']} ms"] if one["delay"] is not None else []
    used = "" if one["used"] else "; new conversations are kept from it"
    stay = f"; {one['staying']} devices stay on it until they are quiet" if one["staying"] else ""
    what = {"up": "works", "down": "HAS FAILED", "unknown": "not known yet whether it works"}
    said = "; ".join([f"{what[one['state']]} since {_moment(one['since'])}{why}", *worth])
    return f"{one['line']}, {one['family']}: {said}{used}{stay}"


def _names(one: Mapping[str, Any]) -> str:
    turn = f", until {_moment(one['turns'])}" if one["turns"] else ""
    return f"what holds {_which(one)}: {'holds' if one['holds'] else 'does not hold'}{turn}"


def _which(one: Mapping[str, Any]) -> str:
    during = f"during {one['during']}" if one["during"] else ""
    until = f"until {one['until']}" if one["until"] else ""
    return " ".join(word for word in (during, until) if word)


def _hours(one: Mapping[str, Any]) -> str:
    which = _which(one)
    stands = "is let" if one["for"] == "let" else "is not refused"
    now = stands if one["due"] else stands.replace("is not", "is").replace("is let", "is not let")
    turn = f", until {_moment(one['turns'])}" if one["turns"] else ""
    return f"what is {'let' if one['for'] == 'let' else 'refused'} {which}: {now}{turn}"


def _moment(text: str) -> str:
    return text[:16].replace("T", " ") + " UTC"
