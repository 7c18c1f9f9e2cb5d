"""One signed copy of a state folder, and back: pure, over bytes.

A copy is a line that names its form, the public key, the signature of all the rest, and the files
(`bundle`). Nothing of it is unpacked before the signature holds, and whose key that is decides a
person: by the fingerprint on the paper in the drawer. Secrets, the files that only their owner may
read, stay out unless a password seals them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, get_args

from netcharter.rollout import bundle, signing
from netcharter.rollout.bundle import BundleBroken
from netcharter.rollout.reading import Fields, fields, instant_text, written
from netcharter.rollout.shapes import Effect, Folder, Remove, Write
from netcharter.rollout.store import (
    FORMAT,
    STOCK,
    Event,
    Paths,
    Version,
    check_format,
    check_kit,
    format_text,
    kept_by,
    numbers,
    version_of,
    with_event,
)
from netcharter.rollout.trouble import RolloutRefused, StateBroken

KEY = "signing.key"  # in the state folder, mode 0600
CHARTER = "charter.yaml"
HISTORY = "history.jsonl"
MOST = bundle.MOST_BYTES  # bytes of a copy that is read
RESTORING = "restoring"  # in a state folder into which a copy is being written
_MAGIC = b"netcharter backup 1\n"
_FAMILY = b"netcharter backup "
_HEAD = len(_MAGIC) + signing.PUBLIC + signing.SIGNATURE
_ABOUT, _SEALED = "about.json", "secrets.sealed"
_STATE = "state/"
_PASSING = ("lock", "trial", "kept", RESTORING)  # of the moment and of this machine
# What others publish, which is large and is fetched anew, and what is made of it. Copies that earlier
# versions made may hold it.
_ANEW = ("lists", "names")
_LEFTOVER = (".netcharter-new", ".netcharter-gone")

Secrets = Literal["none", "left out", "sealed"]


@dataclass(frozen=True, slots=True)
class Stored:
    """A file of a state folder. path: in it; mode: as `chmod` has it."""

    path: str
    data: bytes
    mode: int = 0o640

    @property
    def secret(self) -> bool:
        """Only its owner may read it."""
        return not self.mode & 0o077


@dataclass(frozen=True, slots=True)
class Sealing:
    """A password for the secrets, with chance: 16 bytes of salt and 12 of nonce, never used
    before."""

    password: str
    salt: bytes
    nonce: bytes


@dataclass(frozen=True, slots=True)
class About:
    """What a copy says of itself. kept: the version that was kept, None for none of ours; apart:
    the paths of the secrets, which are sealed or not in it."""

    site: str
    made: datetime
    who: str
    kept: int | None
    secrets: Secrets
    apart: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Backup:
    """A copy that was opened. files: of the state folder, secrets among them if they were sealed
    and the password was given; digest: SHA-256 of the copy."""

    about: About
    files: tuple[Stored, ...]
    fingerprint: str
    digest: str

    def file(self, path: str) -> bytes | None:
        return next((one.data for one in self.files if one.path == path), None)

    @property
    def charter(self) -> bytes | None:
        """The charter of the version that was kept; None if none was."""
        kept = self.about.kept
        return None if kept is None else self.file(f"versions/{kept:04}/{CHARTER}")

    def versions(self) -> dict[int, Version]:
        """The versions in it, by number."""
        here = {one.path.split("/")[1] for one in self.files if one.path.startswith("versions/")}
        found = {}
        for number in numbers(here):
            place = f"versions/{number:04}/version.json"
            data = self.file(place)
            if data is not None:
                found[number] = version_of(place, data)
        return found


# --- making one ----------------------------------------------------------------------------------


def belongs(path: str) -> bool:
    """Whether a file of a state folder is one to be copied; what is of the moment is not, nor what is
    fetched or made anew."""
    return path.split("/")[0] not in _ANEW and _has_a_place(path)


def _has_a_place(path: str) -> bool:
    """Whether a copy may hold a file."""
    return path.split("/")[0] not in _PASSING and not path.endswith(_LEFTOVER)


def backup(
    files: Iterable[Stored],
    kept: str | None,
    seed: bytes,
    site: str,
    who: str,
    now: datetime,
    sealing: Sealing | None = None,
) -> bytes:
    """The signed copy of a state folder.

    files: all that is in it; kept: where its link leads to; seed: of the signing key; site: its
    name, to tell copies apart. Without `sealing` secrets stay out. Raises RolloutRefused for what
    can't be copied, and where the password is too short.
    """
    mine = sorted((one for one in files if belongs(one.path)), key=lambda one: one.path)
    open_, secret = [f for f in mine if not f.secret], [f for f in mine if f.secret]
    how: Secrets = "none" if not secret else "left out" if sealing is None else "sealed"
    apart = tuple(one.path for one in secret)
    about = _about_text(About(site, now, who, kept_by(kept), how, apart))
    members = {_ABOUT: (0o640, about), **_members(open_)}
    try:
        if sealing is not None and secret:
            inner = bundle.packed(_members(secret))
            data = signing.sealed(sealing.password, inner, about, sealing.salt, sealing.nonce)
            members[_SEALED] = (0o600, data)
        packed = bundle.packed(members)
    except BundleBroken as problem:
        raise RolloutRefused(f"this can't be copied: {problem}", "nothing was written") from None
    public = signing.public_of(seed)
    return _MAGIC + public + signing.signature(seed, _MAGIC + public + packed) + packed


def _members(files: Iterable[Stored]) -> dict[str, tuple[int, bytes]]:
    return {_STATE + one.path: (one.mode, one.data) for one in files}


def _about_text(about: About) -> bytes:
    return written(
        {
            "format": FORMAT,
            "site": about.site,
            "made": instant_text(about.made),
            "who": about.who,
            "kept": about.kept,
            "secrets": about.secrets,
            "apart": list(about.apart),
        }
    )


# --- reading one ---------------------------------------------------------------------------------


def restored(data: bytes, fingerprint: str, password: str | None = None) -> Backup:
    """Open a copy. Nothing is unpacked before its signature holds.

    fingerprint: of the key that the keeper trusts, as it is on paper; password: opens the secrets;
    without it they stay out. Raises RolloutRefused, with nothing done, for anything else than a
    whole copy signed by that key.
    """
    public, signed, packed = _parts(data)
    if not signing.is_fingerprint(fingerprint, public):
        raise RolloutRefused(
            f"this copy names another key as its own: {signing.fingerprint(public)}",
            "look at the paper again; a copy by a key that nobody knows is not put in place",
        )
    if not signing.is_signed(public, signed, _MAGIC + public + packed):
        raise RolloutRefused(
            "this copy was changed after it was signed, or is damaged",
            "take another one; nothing of it was unpacked",
        )
    try:
        return _opened(bundle.unpacked(packed), public, data, password)
    except BundleBroken as problem:
        raise _no_copy(str(problem)) from None


def _parts(data: bytes) -> tuple[bytes, bytes, bytes]:
    """Public key, signature, and the rest."""
    if len(data) > MOST:
        raise _no_copy(f"it has more than {MOST // 2**20} MiB")
    if not data.startswith(_MAGIC):
        if data.startswith(_FAMILY):
            raise RolloutRefused(
                "this copy has a form that this version of netcharter does not know",
                "use the version that made it, or a later one",
            )
        raise _no_copy("it begins otherwise")
    if len(data) <= _HEAD:
        raise _no_copy("it is cut short")
    middle = len(_MAGIC) + signing.PUBLIC
    return data[len(_MAGIC) : middle], data[middle:_HEAD], data[_HEAD:]


def _no_copy(why: str) -> RolloutRefused:
    return RolloutRefused(f"this is no copy of a state folder: {why}", "nothing was changed")


def _opened(
    members: Mapping[str, tuple[int, bytes]], public: bytes, data: bytes, password: str | None
) -> Backup:
    if _ABOUT not in members:
        raise BundleBroken(f"{_ABOUT} is missing")
    told = members[_ABOUT][1]
    about = _about(told)
    if (about.secrets == "sealed") != (_SEALED in members):
        raise BundleBroken("what it says of secrets is not so")
    rest = {n: m for n, m in members.items() if n not in (_ABOUT, _SEALED)}
    files = [*_stored(rest)]
    if any(one.secret for one in files):
        raise BundleBroken("a secret lies open in it")
    if about.secrets == "sealed" and password is not None:
        secrets = _unsealed(members[_SEALED][1], told, password)
        if sorted(one.path for one in secrets) != sorted(about.apart):
            raise BundleBroken("what it says of secrets is not so")
        files += secrets
    paths = [one.path for one in files]
    if len(set(paths)) != len(paths):
        raise BundleBroken("a file is in it twice")
    files = sorted((one for one in files if belongs(one.path)), key=lambda one: one.path)
    digest = hashlib.sha256(data).hexdigest()
    found = Backup(about, tuple(files), signing.fingerprint(public), digest)
    _sound(found)
    return found


def _about(data: bytes) -> About:
    found = fields(_ABOUT, data)
    if found.whole("format") != FORMAT:
        raise RolloutRefused(
            "this copy is of a state folder that is laid out otherwise",
            "use the version of netcharter that made it, or a later one",
        )
    return About(
        found.text("site"),
        found.instant("made"),
        found.text("who"),
        found.maybe("kept", found.whole),
        _secrets(found),
        found.texts("apart"),
    )


def _secrets(found: Fields) -> Secrets:
    return found.one_of("secrets", get_args(Secrets))


def _stored(members: Mapping[str, tuple[int, bytes]]) -> Iterator[Stored]:
    for name, (mode, data) in members.items():
        path = name.removeprefix(_STATE)
        if path == name or not _has_a_place(path):
            raise BundleBroken(f"{name!r} has no place in it")
        yield Stored(path, data, mode)


def _unsealed(data: bytes, about: bytes, password: str) -> list[Stored]:
    inner = signing.opened(password, data, about)
    if inner is None:
        raise RolloutRefused(
            "the password does not open the secrets of this copy",
            "try again, or restore without them",
        )
    return [*_stored(bundle.unpacked(inner))]


def _sound(found: Backup) -> None:
    """Raises RolloutRefused unless the folder is laid out as this version knows it, and what was
    kept is whole."""
    names = {one.path.split("/")[0] for one in found.files}
    check_format(found.file("format"), names)
    kept = found.about.kept
    if kept is None:
        return
    versions = found.versions()
    if kept == STOCK or kept not in versions:
        raise StateBroken("the copy", f"version {kept} is said to be kept, and is not in it")
    if found.charter is None:
        raise StateBroken("the copy", f"the charter of version {kept} is missing")
    here = {one.path for one in found.files}
    if not any(one.startswith(f"versions/{kept:04}/kit/") for one in {*found.about.apart} - here):
        check_kit(versions[kept], kit_files(found, kept))


def kit_files(found: Backup, number: int) -> dict[str, bytes]:
    """The files of the kit of a version, by name."""
    start = f"versions/{number:04}/kit/"
    return {f.path.removeprefix(start): f.data for f in found.files if f.path.startswith(start)}


# --- putting it on a bare machine ----------------------------------------------------------------


def restoring(
    found: Backup,
    paths: Paths,
    there: Collection[str],
    begun: bytes | None = None,
    event: Event | None = None,
) -> tuple[Effect, ...]:
    """What puts a copy into the state folder of a machine that keeps nothing yet.

    Nothing comes into force by it: the versions and the history are there, and no link says that
    one is kept, since this machine has other devices and has tried nothing. The charter that was
    kept (`Backup.charter`) is then given its devices, rehearsed and enacted like any other.

    there: the names in the state folder; begun: its file `restoring`, None if there is none; event:
    what the history is to tell of it, after what the copy tells. Killed on the way, it is done again from the start with the same copy. Raises RolloutRefused where
    something is kept or under way.
    """
    mark = f"{found.digest}\n".encode("ascii")
    if begun is not None and begun != mark:
        raise RolloutRefused(
            "another copy was being put into this state folder, and is not whole",
            "finish with that one, or take the folder away by hand",
        )
    taken = sorted(set(there) & {"versions", "kept", "trial"})
    if taken and (begun is None or "kept" in taken or "trial" in taken):
        raise RolloutRefused(
            f"this machine has a state folder with {', '.join(taken)} already",
            "restore on a bare machine, or into another folder; nothing was changed",
        )
    first: list[Effect] = [Folder(paths.root), Write(paths.within(RESTORING), mark)]
    first.append(Write(paths.format, format_text()))
    last = Remove(paths.within(RESTORING))
    told = []
    if event is not None:
        told.append(Write(paths.history, with_event(found.file(HISTORY) or b"", event)))
    return (*first, *_writes(found, paths), *told, last)


def _writes(found: Backup, paths: Paths) -> Iterator[Effect]:
    """A version counts once its `version.json` is there, so that comes last of it."""
    order = sorted(found.files, key=lambda one: (one.path.endswith("/version.json"), one.path))
    folders = {""}
    for one in order:
        if one.path == "format":
            continue
        parts = one.path.split("/")[:-1]
        for end in range(1, len(parts) + 1):
            folder = "/".join(parts[:end])
            if folder not in folders:
                folders.add(folder)
                yield Folder(paths.within(folder))
        mode = one.mode & (0o600 if one.secret else 0o640) | 0o600
        yield Write(paths.within(one.path), one.data, mode)
