"""`backup` and `restore`: a state folder as one signed file, and onto another machine."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from netcharter.charter.model import Charter
from netcharter.charter.read import Unreadable
from netcharter.rollout import signing
from netcharter.rollout.backup import About, Backup, backup, kit_files, restored, restoring
from netcharter.rollout.prepare import asked, facts_of
from netcharter.rollout.preparing.judging_devices import suggestions
from netcharter.rollout.preparing.shapes import NetDevice
from netcharter.rollout.reading import instant_text
from netcharter.rollout.run import copying, files
from netcharter.rollout.run.gathering import gather
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.run.trust import demand_own
from netcharter.rollout.shapes import Folder
from netcharter.rollout.store import MANIFEST, Event, Paths, kept_by
from netcharter.rollout.trouble import RolloutRefused
from netcharter.tasks.keeping import NotAKit, kept_areas
from netcharter.tasks.moving import Moved, understood, with_devices
from netcharter.tasks.preparing import uses_of
from netcharter.tasks.sources import Source

NOTICE = (
    "Write the fingerprint on paper and keep it in the drawer: a copy is taken back only by it."
    " Keep copies at another place than this machine."
)


@dataclass(frozen=True, slots=True)
class Saved:
    """A copy that was made. data: to be written as one file."""

    data: bytes
    fingerprint: str
    about: About

    def as_json(self) -> dict[str, Any]:
        """`ok`, `bytes`, `fingerprint`, and what `about_json` gives."""
        shape = {"ok": True, "bytes": len(self.data), "fingerprint": self.fingerprint}
        return {**shape, **about_json(self.about)}


def about_json(about: About) -> dict[str, Any]:
    """`site`, `made` (UTC), `who`, `kept` (number or null), `secrets` none|left out|sealed,
    `apart` [path of a secret]."""
    return {
        "site": about.site,
        "made": instant_text(about.made),
        "who": about.who,
        "kept": about.kept,
        "secrets": about.secrets,
        "apart": list(about.apart),
    }


def save(paths: Paths, site: str, who: str, now: datetime, password: str | None = None) -> Saved:
    """Copy a state folder, under its lock.

    password: seals the secrets; without one they stay out. Raises RolloutRefused, EffectFailed.
    """
    if files.read(paths.format) is None:
        raise RolloutRefused(
            f"there is no state folder of netcharter in {paths.root}",
            "name another one, or enact a charter first",
        )
    with RealHost().locked(paths, "copying the state folder"):
        seed = copying.signing_seed(paths)
        sealing = None if password is None else copying.sealing(password)
        data = backup(copying.stored(paths), files.link(paths.kept), seed, site, who, now, sealing)
    fingerprint = signing.fingerprint(signing.public_of(seed))
    return Saved(data, fingerprint, restored(data, fingerprint).about)  # and it can be read again


def take_back(
    paths: Paths, data: bytes, fingerprint: str, password: str | None = None, who: str = "restore"
) -> Backup:
    """Put a copy into the state folder of a machine that keeps nothing yet, under its lock.

    who: does it, for the history. Nothing comes into force by it. Raises RolloutRefused with nothing changed, EffectFailed; after
    the latter it may be called again with the same copy.
    """
    found = restored(data, fingerprint, password)
    files.folder(Folder(paths.root))
    host = RealHost()
    with host.locked(paths, "taking a copy back"):
        begun = files.read(paths.within("restoring"))
        event = _event(found, who, host.utc())
        for effect in restoring(found, paths, files.names(paths.root), begun, event):
            host.perform(effect)
    return found


def _event(found: Backup, who: str, now: datetime) -> Event:
    """What the history tells: whose copy it is; in force is nothing of it yet."""
    about = found.about
    why = f"from the copy of {about.site or 'a site'} that {about.who} made"
    return Event(now, who, "restored", about.kept, why=f"{why} at {instant_text(about.made)}")


def charter_of(found: Backup) -> Source:
    """The charter that was kept, with what it includes and what its areas had. Raises
    RolloutRefused if none was."""
    kept = found.about.kept
    text = found.charter
    if kept is None or text is None:
        raise RolloutRefused("no version was kept when this copy was made", "write a charter")
    start = f"versions/{kept:04}/included/"
    included = {
        one.path.removeprefix(start): one.data for one in found.files if one.path.startswith(start)
    }

    def load(name: str) -> bytes:
        if name not in included:
            raise Unreadable("it is not in the copy")
        return included[name]

    called = f"version {kept} of the copy"
    try:
        areas = kept_areas(called, kit_files(found, kept).get("manifest.json", b""))
    except NotAKit:
        areas = None
    return Source("charter.yaml", text, load, areas)


def to_be_mapped(
    charter: Charter, devices: Mapping[str, NetDevice]
) -> tuple[tuple[str, tuple[str, ...], str | None], ...]:
    """What the keeper is asked: each device of the charter, the lines and areas on it, and the one
    of this machine that may be meant: of the same name, the nearest, or the only one left."""
    uses = uses_of(charter)
    near = suggestions(uses, devices)
    every = dict.fromkeys(one.device for one in uses)
    return tuple(
        (
            device,
            tuple(one.name for one in uses if one.device == device),
            device if device in devices else near.get(device),
        )
        for device in every
    )


def moved_here(found: Backup, mapping: Mapping[str, str]) -> Moved:
    """The charter that was kept, with the devices of this machine; to be checked, rehearsed and
    enacted like any other. Raises RolloutRefused, Unusable."""
    return with_devices(charter_of(found), mapping)


def not_there(charter: Charter, devices: Iterable[str]) -> tuple[str, ...]:
    """The devices of a charter that this machine does not have."""
    here = set(devices)
    return tuple(dict.fromkeys(u.device for u in uses_of(charter) if u.device not in here))


def save_here(root: str, who: str, now: datetime, password: str | None = None) -> Saved:
    """Copy the state folder of this machine; the site's name is that of what is kept. Raises
    RolloutRefused, EffectFailed."""
    demand_own(root)
    paths = Paths(root)
    number = kept_by(files.link(paths.kept))
    data = None if number is None else files.read(paths.version(number, "kit", MANIFEST))
    try:
        site = str(json.loads(data or b"{}").get("site", ""))
    except (ValueError, AttributeError):
        site = ""
    return save(paths, site, who, now, password)


@dataclass(frozen=True)
class TakenBack:
    """A copy that was taken back. texts: of the charter, with the devices of this machine; asked:
    the charter's devices that this machine has not, with what hangs on them and a guess."""

    about: About
    moved: Moved
    asked: tuple[tuple[str, tuple[str, ...], str | None], ...]

    @property
    def texts(self) -> Mapping[str, str]:
        return self.moved.texts

    @property
    def ok(self) -> bool:
        """Every device of the charter is here."""
        return not self.asked

    def as_json(self) -> dict[str, Any]:
        """`ok`, what `about_json` gives, `changed`, `files`, `missing` [{`device`, `for`, `guess`}]."""
        missing = [{"device": d, "for": list(f), "guess": g} for d, f, g in self.asked]
        return {"ok": self.ok, **about_json(self.about), **self.moved.as_json(), "missing": missing}

    def lines(self, folder: str) -> Iterator[str]:
        """What was taken back, and what comes next."""
        yield f"taken back: {self.about.site}, as of {instant_text(self.about.made)}"
        for name, (before, after) in self.moved.changed.items():
            yield f"  {name}: {before} is {after} here"
        for device, used, guess in self.asked:
            perhaps = f"; perhaps {guess}" if guess else ""
            yield f"MISSING {device} for {', '.join(used)}: say --device {device}=NAME{perhaps}"
        yield f"Nothing is in force yet. Look at {folder}, then:"
        yield f"    netcharter enact {folder}/charter.yaml"


def taken_back(
    root: str,
    data: bytes,
    fingerprint: str,
    mapping: Mapping[str, str],
    password: str | None = None,
    who: str = "restore",
    first: Callable[[Mapping[str, str]], None] = lambda texts: None,
) -> TakenBack:
    """Take a copy back on this machine, its charter with this machine's devices. who: does it, for
    the history; first: is given the charter's texts before anything is taken back, which can't be
    done twice. Raises RolloutRefused with nothing changed, Unusable."""
    demand_own(root)
    found = restored(data, fingerprint, password)
    moved = moved_here(found, mapping)
    devices = facts_of(gather(asked())).devices or {}
    charter, _ = understood(moved.source)
    lacking = set(not_there(charter, devices))
    first(moved.texts)
    take_back(Paths(root), data, fingerprint, password, who)
    wanted = tuple(one for one in to_be_mapped(charter, devices) if one[0] in lacking)
    return TakenBack(found.about, moved, wanted)
