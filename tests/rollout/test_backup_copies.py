"""A state folder copied, changed in every way that hurts, and brought to a bare machine."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import random
import tarfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.rollout import bundle, signing
from netcharter.rollout.backup import (
    KEY,
    RESTORING,
    Backup,
    Sealing,
    Stored,
    backup,
    belongs,
    restored,
    restoring,
)
from netcharter.rollout.bundle import BundleBroken, packed, unpacked
from netcharter.rollout.run import copying, files
from netcharter.rollout.run.real import perform
from netcharter.rollout.shapes import Effect, Folder, Remove, Write
from netcharter.rollout.store import Paths, Version, check_kit, format_text, version_text
from netcharter.rollout.trouble import EffectFailed, RolloutRefused

NOW = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
SEED = bytes(range(32))
PAPER = signing.fingerprint(signing.public_of(SEED))
SEALING = Sealing("a password of the drawer", bytes(16), bytes(12))
CHARTER = b"charter: 1\nsite: {name: Tarn Hollow}\n"


def version(number: int, previous: int | None = None) -> tuple[Stored, ...]:
    kit = {"nftables.nft": b"table inet netcharter {}\n" * number}
    told = {name: {"sha256": hashlib.sha256(data).hexdigest()} for name, data in kit.items()}
    kit["manifest.json"] = json.dumps({"files": told}).encode()
    digest = hashlib.sha256(kit["manifest.json"]).hexdigest()
    about = version_text(Version(number, digest, "warden", NOW, previous=previous))
    place = f"versions/{number:04}"
    return (
        Stored(f"{place}/version.json", about),
        Stored(f"{place}/charter.yaml", CHARTER),
        *(Stored(f"{place}/kit/{name}", data) for name, data in kit.items()),
    )


FILES = (
    Stored("format", format_text()),
    Stored("history.jsonl", b'{"what": "kept"}\n'),
    Stored("settings.json", b"{}\n"),
    *version(1),
    *version(2, 1),
)
SECRETS = (Stored(KEY, signing.key_text(SEED), 0o600), Stored("people.json", b"hashes", 0o600))


def made(*more: Stored, sealing: Sealing | None = None, files: tuple[Stored, ...] = FILES) -> bytes:
    return backup((*files, *more), "versions/0002", SEED, "Tarn Hollow", "warden", NOW, sealing)


def signed(members: bytes) -> bytes:
    """A copy whose signature is right, whatever is in it."""
    magic, public = b"netcharter backup 1\n", signing.public_of(SEED)
    return magic + public + signing.signature(SEED, magic + public + members) + members


# --- there and back ------------------------------------------------------------------------------


def test_what_was_copied_comes_back() -> None:
    found = restored(made(), PAPER)
    assert sorted(found.files, key=str) == sorted(FILES, key=str)
    assert found.about.kept == 2 and found.about.secrets == "none"
    assert found.about.site == "Tarn Hollow" and found.about.made == NOW
    assert found.charter == CHARTER
    assert found.fingerprint == PAPER
    assert set(found.versions()) == {1, 2}


def test_the_same_folder_gives_the_same_bytes_in_whatever_order_it_was_read() -> None:
    assert made() == made(files=FILES[::-1])


def test_any_tool_for_tar_reads_the_files_and_finds_nothing_of_this_machine() -> None:
    """Python's tarfile is the other reader; POSIX pax, ustar interchange format."""
    with tarfile.open(fileobj=io.BytesIO(made(*SECRETS)[116:]), mode="r:gz") as tar:
        members = tar.getmembers()
        names = [one.name for one in members]
        assert names == sorted(names) and "state/format" in names
        assert all(m.isreg() and (m.mtime, m.uid, m.gid, m.uname) == (0, 0, 0, "") for m in members)
        assert {name.removeprefix("state/") for name in names} == {
            "about.json",
            *(one.path for one in FILES),
        }


def test_what_is_of_the_moment_stays_behind() -> None:
    passing = (
        "lock", "kept", "trial/trial.json", "trial/before.json", RESTORING,
        "lists/games", "lists/games.json", "names/fetched/games/below.cdb",
        "format.netcharter-new", "versions/0001.netcharter-gone/version.json/x.netcharter-gone",
    )  # fmt: skip
    assert not any(map(belongs, passing))
    found = restored(made(*(Stored(path, b"") for path in passing)), PAPER)
    assert {one.path for one in found.files} == {one.path for one in FILES}


@pytest.mark.parametrize("path", ["lists/games", "lists/games.json", "names/said/aa/exact.cdb"])
def test_a_copy_of_an_earlier_version_that_holds_lists_comes_back_without_them(path: str) -> None:
    members = unpacked(made()[116:])
    members[f"state/{path}"] = (0o640, b"gambling.example\n")
    assert restored(signed(packed(members)), PAPER).files == restored(made(), PAPER).files


def test_files_are_called_as_people_call_them() -> None:
    names = (
        "versions/0002/included/Büro (alt).yaml",
        "versions/0002/included/parts/the shop's.yaml",
    )
    more = tuple(Stored(name, b"x") for name in names)
    assert {*names} <= {one.path for one in restored(made(*more), PAPER).files}


def test_nothing_kept_is_copied_too() -> None:
    data = backup(FILES[:3], None, SEED, "Tarn Hollow", "warden", NOW)
    found = restored(data, PAPER)
    assert found.about.kept is None and found.charter is None


# --- secrets -------------------------------------------------------------------------------------


def test_secrets_stay_out_and_are_named() -> None:
    data = made(*SECRETS)
    assert SEED.hex().encode() not in gzip.decompress(data[116:])
    found = restored(data, PAPER)
    assert found.about.secrets == "left out"
    assert found.about.apart == ("people.json", KEY)
    assert found.file(KEY) is None


def test_sealed_secrets_open_by_their_password_only() -> None:
    data = made(*SECRETS, sealing=SEALING)
    assert SEED.hex().encode() not in gzip.decompress(data[116:])
    assert restored(data, PAPER).file("people.json") is None
    found = restored(data, PAPER, SEALING.password)
    assert found.file("people.json") == b"hashes"
    assert next(one for one in found.files if one.path == KEY).secret
    with pytest.raises(RolloutRefused, match="does not open"):
        restored(data, PAPER, "another one, as long")


def test_secrets_of_another_copy_do_not_open_in_this_one() -> None:
    other = made(*SECRETS, sealing=SEALING)
    later = unpacked(
        backup((*FILES, *SECRETS), "versions/0002", SEED, "Other", "warden", NOW, SEALING)[116:]
    )
    mixed = {**later, "secrets.sealed": unpacked(other[116:])["secrets.sealed"]}
    with pytest.raises(RolloutRefused, match="does not open"):
        restored(signed(packed(mixed)), PAPER, SEALING.password)


def test_a_kit_with_a_secret_is_opened_without_it() -> None:
    kit = tuple(
        replace(one, mode=0o600) if one.path == "versions/0002/kit/nftables.nft" else one
        for one in FILES
    )
    for sealing, password in ((None, None), (SEALING, None), (SEALING, SEALING.password)):
        found = restored(made(files=kit, sealing=sealing), PAPER, password)
        assert (found.file("versions/0002/kit/nftables.nft") is not None) == (password is not None)
        assert found.about.apart == ("versions/0002/kit/nftables.nft",)


def test_secrets_that_are_not_those_it_tells_of_are_refused() -> None:
    members = unpacked(made(*SECRETS, sealing=SEALING)[116:])
    about = members["about.json"][1]
    inner = packed({"state/other.json": (0o600, b"x")})
    seal = signing.sealed(SEALING.password, inner, about, SEALING.salt, SEALING.nonce)
    data = signed(packed({**members, "secrets.sealed": (0o600, seal)}))
    with pytest.raises(RolloutRefused, match="secrets is not so"):
        restored(data, PAPER, SEALING.password)


def test_a_secret_that_lies_open_is_refused() -> None:
    members = unpacked(made()[116:]) | {"state/people.json": (0o600, b"hashes")}
    with pytest.raises(RolloutRefused, match="lies open"):
        restored(signed(packed(members)), PAPER)


# --- who signed, and one bit ---------------------------------------------------------------------


def test_one_flipped_bit_anywhere_is_noticed() -> None:
    data = made(*SECRETS, sealing=SEALING)
    bits = {*range(116 * 8), *range(116 * 8, len(data) * 8, 101), len(data) * 8 - 1}
    for bit in bits:
        other = bytearray(data)
        other[bit // 8] ^= 1 << bit % 8
        with pytest.raises(RolloutRefused):
            restored(bytes(other), PAPER, SEALING.password)


def test_a_copy_that_is_cut_or_goes_on_is_refused() -> None:
    data = made()
    for other in (*(data[:end] for end in range(0, len(data), 97)), data + b"\0", b"\0" + data):
        with pytest.raises(RolloutRefused):
            restored(other, PAPER)


def test_a_copy_by_another_key_is_refused_even_if_its_signature_is_right() -> None:
    other = backup(FILES, None, bytes(32), "Tarn Hollow", "warden", NOW)
    with pytest.raises(RolloutRefused, match="another key") as told:
        restored(other, PAPER)
    assert signing.fingerprint(signing.public_of(bytes(32))) in str(told.value)


def test_nothing_is_unpacked_before_the_signature_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(data: bytes) -> dict[str, tuple[int, bytes]]:
        raise AssertionError("unpacked")

    monkeypatch.setattr(bundle, "unpacked", fail)
    data = bytearray(made())
    data[-1] ^= 1
    with pytest.raises(RolloutRefused, match="changed after it was signed"):
        restored(bytes(data), PAPER)
    with pytest.raises(AssertionError):
        restored(made(), PAPER)


def test_a_form_of_another_time_is_named_as_such() -> None:
    with pytest.raises(RolloutRefused, match="does not know"):
        restored(made().replace(b"backup 1", b"backup 2", 1), PAPER)
    with pytest.raises(RolloutRefused, match="no copy"):
        restored(b"PK\x03\x04" + bytes(200), PAPER)


# --- hostile contents ----------------------------------------------------------------------------


def tar(*members: tuple[tarfile.TarInfo, bytes], form: int = tarfile.USTAR_FORMAT) -> bytes:
    """A tar by Python's own tarfile, which writes what `packed` would not."""
    stream = io.BytesIO()
    with tarfile.open(fileobj=stream, mode="w", format=form) as out:
        for head, data in members:
            head.size = len(data)
            out.addfile(head, io.BytesIO(data))
    return gzip.compress(stream.getvalue(), mtime=0)


def member(name: str, kind: bytes = tarfile.REGTYPE, link: str = "") -> tarfile.TarInfo:
    head = tarfile.TarInfo(name)
    head.type, head.linkname = kind, link
    return head


HOSTILE: dict[str, Callable[[], bytes]] = {
    "up": lambda: tar((member("../etc/passwd"), b"")),
    "up within": lambda: tar((member("state/../../etc/passwd"), b"")),
    "absolute": lambda: tar((member("/etc/passwd"), b"")),
    "dot": lambda: tar((member("./format"), b"")),
    "hidden": lambda: tar((member("state/.ssh/keys"), b"")),
    "double slash": lambda: tar((member("state//format"), b"")),
    "backslash": lambda: tar((member("state\\..\\format"), b"")),
    "empty name": lambda: tar((member(""), b"")),
    "newline": lambda: tar((member("state/a\nb"), b"")),
    "symbolic link": lambda: tar((member("state/format", tarfile.SYMTYPE, "/etc/passwd"), b"")),
    "hard link": lambda: tar((member("state/format", tarfile.LNKTYPE, "/etc/passwd"), b"")),
    "character device": lambda: tar((member("state/format", tarfile.CHRTYPE), b"")),
    "block device": lambda: tar((member("state/format", tarfile.BLKTYPE), b"")),
    "pipe": lambda: tar((member("state/format", tarfile.FIFOTYPE), b"")),
    "folder": lambda: tar((member("state", tarfile.DIRTYPE), b"")),
    "contiguous": lambda: tar((member("state/format", tarfile.CONTTYPE), b"")),
    "old kind": lambda: tar((member("state/format", tarfile.AREGTYPE), b"")),
    "twice": lambda: tar((member("state/a"), b"1"), (member("state/a"), b"2")),
    "below a file": lambda: tar((member("state/a"), b"1"), (member("state/a/b"), b"2")),
    "long name": lambda: tar((member("state/" + "a" * 230), b""), form=tarfile.GNU_FORMAT),
    "pax": lambda: tar((member("state/" + "a" * 230), b""), form=tarfile.PAX_FORMAT),
    "no letters": lambda: tar((member("state/\udcff"), b"")),
    "hidden letters": lambda: tar((member("state/a\u202eb"), b"")),
    "many": lambda: tar(*((member(f"state/{n}"), b"") for n in range(bundle.MOST_FILES + 1))),
    "bomb": lambda: gzip.compress(bytes(bundle.MOST_BYTES + 1), 1, mtime=0),
    "cut": lambda: tar((member("state/a"), b"1" * 9000))[:-30],
    "two of them": lambda: tar((member("state/a"), b"")) * 2,
    "no end": lambda: gzip.compress(gzip.decompress(tar((member("state/a"), b"1")))[:1024]),
    "after the end": lambda: gzip.compress(bytes(1024) + b"x"),
    "no tar": lambda: gzip.compress(b"x" * 2048),
    "not packed": lambda: b"x" * 2048,
    "nothing": lambda: b"",
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_contents_are_refused_though_signed(name: str) -> None:
    data = HOSTILE[name]()
    with pytest.raises(BundleBroken):
        unpacked(data)
    with pytest.raises(RolloutRefused, match="no copy of a state folder"):
        restored(signed(data), PAPER)


@pytest.mark.parametrize("at", [*range(0, 512, 3), 124, 148, 156, 257])
def test_a_head_that_lies_is_refused_or_says_the_same(at: int) -> None:
    """Each byte of a head is set to one that the form does not have there."""
    whole = bytearray(gzip.decompress(tar((member("state/a"), b"12"))))
    whole[at] = 0xFF
    with pytest.raises(BundleBroken):
        unpacked(gzip.compress(bytes(whole)))


def test_whatever_the_bytes_are_only_what_is_said_is_raised() -> None:
    dice = random.Random(3)
    whole = gzip.decompress(tar((member("state/a"), b"12"), (member("state/b"), b"3" * 600)))
    read = 0
    for _ in range(1500):
        other = bytearray(whole[: dice.choice([len(whole), dice.randrange(len(whole))])])
        for _ in range(dice.randrange(1, 5)):
            if other:
                other[dice.randrange(len(other))] = dice.choice([0, 32, 48, 55, 255])
        try:
            found = unpacked(gzip.compress(bytes(other), 0))
        except BundleBroken:
            continue
        read += 1
        assert all(bundle.checked(name) == name for name in found)
    assert 0 < read < 1500


def test_a_size_beyond_all_bounds_is_refused() -> None:
    whole = bytearray(gzip.decompress(tar((member("state/a"), b"12"))))
    whole[124:136] = b"77777777777\0"
    whole[148:156] = b"%06o\0 " % (sum(whole[:148]) + 256 + sum(whole[156:512]))
    with pytest.raises(BundleBroken, match="cut short"):
        unpacked(gzip.compress(bytes(whole)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"about.json": None}, "about.json is missing"),
        ({"about.json": b"{"}, "about.json"),
        ({"about.json": b'{"format": 99}'}, "laid out otherwise"),
        ({"secrets.sealed": b"x"}, "secrets"),
        ({"etc/passwd": b"x"}, "no place"),
        ({"state/lock": b"x"}, "no place"),
        ({"state/format": b"netcharter state 99\n"}, "laid out for another version"),
        ({"state/format": None}, "missing"),
        ({"state/versions/0002/version.json": None}, "not in it"),
        ({"state/versions/0002/version.json": b"[]"}, "version.json"),
        ({"state/versions/0002/charter.yaml": None}, "charter of version 2"),
        ({"state/versions/0002/kit/nftables.nft": b"other"}, "not the file"),
        ({"state/versions/0002/kit/manifest.json": b"{}"}, "not the one"),
    ],
)
def test_a_copy_whose_parts_do_not_fit_is_refused(
    change: dict[str, bytes | None], words: str
) -> None:
    members = unpacked(made()[116:])
    for name, data in change.items():
        if data is None:
            del members[name]
        else:
            members[name] = (0o640, data)
    with pytest.raises(RolloutRefused, match=words):
        restored(signed(packed(members)), PAPER)


@pytest.mark.parametrize(
    "path", ["../x", "/x", "a/./b", "a//b", "a\u202e", "x" * 201, "ä" * 90, "", ".x", "-x", "a/.."]
)
def test_what_could_not_come_back_is_not_copied(path: str) -> None:
    with pytest.raises(RolloutRefused, match="can't be copied"):
        made(Stored(path, b""))


def test_too_much_is_not_copied() -> None:
    big = Stored("big", bytes(bundle.MOST_BYTES))
    with pytest.raises(RolloutRefused, match="MiB"):
        made(big)


# --- onto a bare machine -------------------------------------------------------------------------


def opened() -> Backup:
    return restored(made(*SECRETS, sealing=SEALING), PAPER, SEALING.password)


def test_a_bare_machine_gets_everything_but_a_link_that_says_kept() -> None:
    effects = restoring(opened(), Paths("/state"), ())
    written = {one.path: one for one in effects if isinstance(one, Write)}
    assert {f"/state/{one.path}" for one in (*FILES, *SECRETS)} <= set(written)
    assert written[f"/state/{KEY}"].mode == 0o600
    assert {type(one) for one in effects} == {Write, Folder, Remove}
    assert effects[-1] == Remove(f"/state/{RESTORING}")


def test_a_version_counts_only_when_all_of_it_is_there() -> None:
    effects = restoring(opened(), Paths("/state"), ())
    places = [one.path for one in effects if isinstance(one, Write)]
    first = min(n for n, path in enumerate(places) if path.endswith("/version.json"))
    assert all(path.endswith("/version.json") for path in places[first:])


@pytest.mark.parametrize("there", ["versions", "kept", "trial"])
def test_a_machine_that_has_something_is_left_alone(there: str) -> None:
    with pytest.raises(RolloutRefused, match=there):
        restoring(opened(), Paths("/state"), ("lock", there))


def test_a_restore_cut_short_is_done_again_with_the_same_copy_only() -> None:
    found = opened()
    mark = next(
        one.data
        for one in restoring(found, Paths("/s"), ())
        if isinstance(one, Write) and one.path == f"/s/{RESTORING}"
    )
    assert restoring(found, Paths("/s"), ("versions", RESTORING), mark)
    with pytest.raises(RolloutRefused, match="another copy"):
        restoring(replace(found, digest="0" * 64), Paths("/s"), ("versions",), mark)
    with pytest.raises(RolloutRefused, match="kept"):
        restoring(found, Paths("/s"), ("versions", "kept"), mark)


def test_modes_of_a_copy_never_open_a_file_to_others() -> None:
    wild = replace(opened(), files=(Stored("settings.json", b"", 0o777),))
    (write,) = [
        one
        for one in restoring(wild, Paths("/s"), ())
        if isinstance(one, Write) and one.path.endswith("settings.json")
    ]
    assert write.mode == 0o640


# --- on a real disk ------------------------------------------------------------------------------


def put(effects: tuple[Effect, ...]) -> None:
    for effect in effects:
        perform(effect)


def test_a_real_folder_goes_there_and_back(tmp_path: Path) -> None:
    old, new = Paths(str(tmp_path / "old")), Paths(str(tmp_path / "new"))
    put(restoring(opened(), old, ()))
    os.symlink("versions/0002", old.kept)
    os.symlink("/etc/passwd", old.within("passwd"))
    os.mkfifo(old.within("pipe"))
    (tmp_path / "old" / "lock").write_text("x")
    seed = copying.signing_seed(old)
    assert seed == SEED  # it came with the secrets
    sealing = copying.sealing("a password of the drawer")
    data = backup(copying.stored(old), files.link(old.kept), seed, "T", "w", NOW, sealing)
    found = restored(data, PAPER, sealing.password)
    put(restoring(found, new, files.names(new.root)))
    assert sorted(copying.stored(new), key=str) == sorted((*FILES, *SECRETS), key=str)
    kit = {n: d for n, d in files.files(new.version(2, "kit")).items()}
    check_kit(found.versions()[2], kit)
    assert files.names(new.root) == ("format", "history.jsonl", "people.json", "settings.json",
                                     "signing.key", "versions")  # fmt: skip


def test_the_key_is_made_once_and_is_for_its_owner_only(tmp_path: Path) -> None:
    paths = Paths(str(tmp_path / "state"))
    seed = copying.signing_seed(paths)
    assert copying.signing_seed(paths) == seed
    assert os.stat(paths.within(KEY)).st_mode & 0o777 == 0o600
    assert copying.signing_seed(Paths(str(tmp_path / "other"))) != seed


def test_chance_is_fresh_each_time() -> None:
    one, other = copying.sealing("a password of the drawer"), copying.sealing("another password")
    assert one.salt != other.salt and one.nonce != other.nonce


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(EffectFailed, match="No such file"):
        copying.stored(Paths(str(tmp_path / "none")))
