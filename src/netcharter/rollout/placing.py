"""Files of a kit that lie elsewhere on a host, and the services that run with it.

They are part of a host's state: exchanged between the ways and what is no longer wanted, put back by
an undo, compared like all else. A service whose files change is ended first and begun afterwards, so
that one who was killed in between leaves one that rests and never one that runs by other files than
lie there. No unit is enabled: `netcharter boot` begins them, and so the link that decides what a
start of the machine brings up decides of them, too.

What lies at such a path and is not ours is never read further, written over or taken away.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace

from netcharter.diagnostics.escape import terminal
from netcharter.render.placing import OURS, OURS_IN_LUA, UNITS
from netcharter.rollout.shapes import (
    Effect,
    Folder,
    HostState,
    Lying,
    Remove,
    Run,
    Running,
    Step,
    Write,
)
from netcharter.rollout.units import manager

NEW = ".netcharter-new"  # ends the name of a file that is being written
FOLDER = "/etc/netcharter"  # of ours, and gone with the last of its files
NO_FILE, AT_REST = None, Running()
LATER = "--no-block"
ENDED, PLACED, BEGUN = "services are ended", "files are placed", "services are begun"

_SHELL = b"#!"
_MARKS = (OURS.encode("ascii"), OURS_IN_LUA.encode("ascii"))
_COMMAND = re.compile(r"^ExecStart=[-@:+!]*(\S.*)$", re.MULTILINE)

Needs = Mapping[str, tuple[str, ...]]  # the paths of the files by which each service runs
Kept = tuple[Mapping[str, Lying], Needs]  # what a kit places, and what runs


def lying(path: str, data: bytes | None, mode: int) -> Lying:
    """What lies at a path. data: None for what is no plain file, or too long to be one of ours."""
    if data is not None and (path.endswith(NEW) or is_ours(data)):
        return Lying(data.decode("latin-1"), mode)
    return Lying(hashlib.sha256(data or b"").hexdigest(), mode, ours=False)


def is_ours(data: bytes) -> bool:
    """Whether a file says in its first line, or behind the line that names its shell, that it is."""
    first, _, rest = data.partition(b"\n")
    return (rest if first.startswith(_SHELL) else first).startswith(_MARKS)


def is_path(name: str) -> bool:
    """Whether a name that is asked for is that of a file."""
    return name.startswith("/")


def is_unit(name: str) -> bool:
    """Whether it is that of a service."""
    return "/" not in name


def asked(state: HostState) -> frozenset[str]:
    """The names by which all that a state tells of is asked for again."""
    return frozenset((*state.settings, *state.files, *state.services))


def names(placed: Iterable[str], services: Iterable[str]) -> frozenset[str]:
    """The names by which files and services of a kit are asked for, with what may be left of a file
    whose writer was killed."""
    return frozenset((*(p + end for p in placed for end in ("", NEW)), *services))


# --- what is wanted ------------------------------------------------------------------------------


def files_wanted(
    placed: Mapping[str, Lying], left: Collection[str], now: HostState
) -> dict[str, Lying | None]:
    """What is to lie where: the kit's, none of the kit's that leaves (`left`: its paths) besides,
    and nothing half written."""
    found = {**now.files, **dict.fromkeys(left, NO_FILE), **placed}
    return {path: NO_FILE if path.endswith(NEW) else found[path] for path in found}


def services_wanted(
    units: Collection[str], left: Collection[str], now: HostState
) -> dict[str, Running]:
    """Which services are to run: the kit's. Whether one is enabled is its keeper's, as long as it
    is there."""
    found = {**now.services, **dict.fromkeys(left, AT_REST)}
    for unit in units:
        there = now.services.get(unit, AT_REST)
        found[unit] = Running(on=True, well=True, enabled=there.enabled)
    return found


def before(
    then: HostState, now: HostState, paths: Iterable[str], units: Iterable[str]
) -> HostState:
    """The state of before as to files and services; those that it does not know were not there."""
    found = {**dict.fromkeys((*paths, *now.files), NO_FILE), **then.files}
    rest = dict.fromkeys((*units, *now.services), AT_REST)
    files = {path: NO_FILE if path.endswith(NEW) else one for path, one in found.items()}
    return replace(then, files=files, services={**rest, **then.services})


def put_back(then: HostState, now: HostState) -> HostState:
    """The host with the files of before, and none running that did not. What ran then is begun by
    whoever brings up the rest."""
    services = {
        unit: replace(then.services.get(unit, AT_REST), on=one.on and _ran(then, unit), well=False)
        for unit, one in now.services.items()
    }
    return replace(now, files={path: then.files.get(path) for path in now.files}, services=services)


def _ran(then: HostState, unit: str) -> bool:
    return then.services.get(unit, AT_REST).on


# --- what can be had -----------------------------------------------------------------------------


def foreign(now: HostState, wanted: HostState) -> tuple[str, ...]:
    """Paths at which somebody else's lies where something else is wanted."""
    found = []
    for path, asked_for in sorted(wanted.files.items()):
        there = now.files.get(path)
        if there is not None and not there.ours and asked_for not in (there, NO_FILE):
            found.append(path)
    return tuple(found)


def possible(now: HostState, wanted: HostState) -> HostState:
    """The wanted state without what can't be had: what lies there and is not ours stays, and a unit
    that is not ours is neither begun nor ended."""
    files = {p: _theirs(now.files.get(p)) or w for p, w in wanted.files.items()}
    services = {
        unit: now.services[unit]
        if unit in now.services and _theirs(now.files.get(unit_path(unit)))
        else one
        for unit, one in wanted.services.items()
    }
    return replace(wanted, files=files, services=services)


def _theirs(there: Lying | None) -> Lying | None:
    return there if there is not None and not there.ours else None


def unit_path(unit: str) -> str:
    return f"{UNITS}/{unit}"


def left_out(now: HostState, wanted: HostState) -> Iterator[str]:
    for path in foreign(now, wanted):
        yield f"{path} is there, and it is not netcharter's; it is left as it is"


# --- the steps -----------------------------------------------------------------------------------


def steps(now: HostState, wanted: HostState, needs: Needs | None = None) -> Iterator[Step]:
    """From one state to the other, which is possible. Files and services that the host was not
    asked for stay as they are.

    needs: where it is not known, any change concerns every service.
    """
    changed = {path for path, one in wanted.files.items() if _differs(now, path, one)}
    concerned = [
        (unit, there, wanted.services[unit], _touched(unit, changed, needs))
        for unit, there in now.services.items()
        if unit in wanted.services
    ]
    ended = [
        u for u, there, to_be, touched in concerned if there.on and _ends(there, to_be, touched)
    ]
    begun = [
        u
        for u, there, to_be, touched in concerned
        if to_be.on and (not there.on or _ends(there, to_be, touched))
    ]
    off = [u for u, there, to_be, _ in concerned if there.enabled and not to_be.enabled]
    on = [u for u, there, to_be, _ in concerned if to_be.enabled and not there.enabled]
    yield from _step(ENDED, [*_ended(ended), *_disabled(off, now)])
    yield from _step(PLACED, _placed(changed, wanted))
    units = any(path.startswith(f"{UNITS}/") for path in changed)
    anew = [manager("daemon-reload")] if concerned and (begun or on or units) else []
    enabled = [manager("enable", *on)] if on else []
    yield from _step(BEGUN, [*anew, *enabled, *_begun(begun)])


def _step(name: str, effects: Iterable[Effect]) -> Iterator[Step]:
    found = tuple(effects)
    if found:
        yield Step(name, found)


def _differs(now: HostState, path: str, to_be: Lying | None) -> bool:
    return path in now.files and now.files[path] != to_be


def _touched(unit: str, changed: Collection[str], needs: Needs | None) -> bool:
    if needs is None:
        return any(not path.endswith(NEW) for path in changed)
    return any(path in changed for path in (*needs.get(unit, ()), unit_path(unit)))


def _ends(there: Running, to_be: Running, touched: bool) -> bool:
    return not to_be.on or touched or (to_be.well and not there.well)


def _ended(units: list[str]) -> Iterator[Run]:
    if units:
        yield manager("stop", *units)


def _disabled(units: list[str], now: HostState) -> Iterator[Run]:
    for unit in units:  # whose file somebody has taken away can't be, and is not
        there = now.files.get(unit_path(unit)) is not None
        yield replace(manager("disable", unit), fails=there)


def _begun(units: list[str]) -> Iterator[Run]:
    if units:  # one that failed too often is not begun else (systemd.unit(5), StartLimitBurst)
        yield replace(manager("reset-failed", *units), fails=False)
        yield manager("start", *units)


def _placed(changed: Collection[str], wanted: HostState) -> Iterator[Effect]:
    for path in sorted(changed):
        one = wanted.files[path]
        if one is None:
            yield Remove(path)
            continue
        yield Folder(path.rpartition("/")[0], 0o755)
        yield Write(path, one.text.encode("latin-1"), one.mode)
    if any(path.startswith(f"{FOLDER}/") and wanted.files[path] is None for path in changed):
        yield Run(("rmdir", "--ignore-fail-on-non-empty", FOLDER), fails=False)


def later(found: Iterable[Step]) -> tuple[Step, ...]:
    """Steps that wait for no service to have begun: in the midst of a boot it would never."""
    return tuple(replace(step, effects=tuple(map(_later, step.effects))) for step in found)


def _later(effect: Effect) -> Effect:
    if isinstance(effect, Run) and effect.argv[:1] == ("systemctl",) and "start" in effect.argv:
        return replace(effect, argv=(*effect.argv[:1], LATER, *effect.argv[1:]))
    return effect


# --- in words ------------------------------------------------------------------------------------


def unlike(first: HostState, second: HostState) -> Iterator[str]:
    """How files and services of the second state differ from the first, where both tell of them."""
    for path in sorted(first.files.keys() & second.files.keys()):
        one, other = first.files[path], second.files[path]
        if one == other:
            continue
        if other is None:
            yield f"file missing: {path}"
        elif one is None:
            yield f"file besides: {path}"
        elif not other.ours:
            yield f"file {path} is not netcharter's"
        elif one.text != other.text:
            yield f"file {path} holds something else"
        else:
            yield f"file {path} has mode {other.mode:04o} instead of {one.mode:04o}"
    for unit in sorted(first.services.keys() & second.services.keys()):
        yield from _unlike(unit, first.services[unit], second.services[unit])


def _unlike(unit: str, one: Running, other: Running) -> Iterator[str]:
    if one.on != other.on:
        yield f"service {unit} {'runs' if other.on else 'does not run'}"
    elif one.on and one.well and not other.well:
        yield f"service {unit} is begun again and again, and ends"
    if one.enabled != other.enabled:
        yield f"service {unit} is {'enabled' if other.enabled else 'not enabled'}"


def by_hand(new: Kept, old: Kept, now: HostState) -> Iterator[str]:
    """What is to be begun and ended by hand on a host without a service manager where one kit takes
    the place of another, a sentence each."""
    (placed, units), (before, ran) = new, old
    for unit in (*ran, *units):
        if unit in now.services or unit_path(unit) not in now.files:
            continue
        name = unit.removesuffix(".service")
        if unit not in units:
            yield f"systemd does not run here; end {name} yourself, if you began it"
        elif unit not in ran or any(before.get(path) != placed.get(path) for path in units[unit]):
            yield terminal(
                f"systemd does not run here; begin {name} yourself: {_said(placed, unit)}"
            )


def _said(placed: Mapping[str, Lying], unit: str) -> str:
    file = placed.get(unit_path(unit))
    command = _COMMAND.search(file.text) if file else None
    return command[1] if command else f"what {unit_path(unit)} says"


# --- asking --------------------------------------------------------------------------------------

PROPERTIES = ("Id", "ActiveState", "SubState", "UnitFileState")
_ON = frozenset({"active", "activating", "reloading", "refreshing"})
_AGAIN = "auto-restart"
_ENABLED = frozenset({"enabled", "enabled-runtime", "linked", "linked-runtime"})


def question(units: Iterable[str]) -> Run:
    """How services are, of systemctl(1)."""
    return manager("show", f"--property={','.join(PROPERTIES)}", *sorted(units))


def answer(units: Collection[str], text: str) -> dict[str, Running]:
    """What it said. Raises ValueError where it does not tell of each of them."""
    found: dict[str, Running] = {}
    for block in text.strip().split("\n\n"):
        said = dict(line.split("=", 1) for line in block.splitlines() if "=" in line)
        if said.keys() < set(PROPERTIES) or said["Id"] not in units:
            raise ValueError(f"an unexpected answer: {block[:120]}")
        on = said["ActiveState"] in _ON
        well = on and said["SubState"] != _AGAIN
        found[said["Id"]] = Running(on, well, said["UnitFileState"] in _ENABLED)
    if found.keys() != set(units):
        raise ValueError("it does not tell of every service")
    return found
