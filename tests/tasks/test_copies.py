"""A site moves to another machine: copied, taken back, given its devices, and the same plan again."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.charter.read import Unreadable
from netcharter.cli import restore_command
from netcharter.render.kit import render
from netcharter.rollout import signing
from netcharter.rollout.backup import About, Backup, Stored, backup, restored
from netcharter.rollout.phases import Making, staging, version_made
from netcharter.rollout.preparing.shapes import NetDevice
from netcharter.rollout.run import copying, files
from netcharter.rollout.run.real import perform
from netcharter.rollout.store import Paths, format_text
from netcharter.rollout.trouble import RolloutRefused
from netcharter.tasks import copies
from netcharter.tasks.moving import understood
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.running import process, run

NOW = datetime(2026, 5, 4, 3, 2, 1, tzinfo=UTC)
PASSWORD = "the one of the drawer"


@pytest.fixture
def old(tmp_path: Path, repository: Path) -> Paths:
    """The state folder of a machine on which the demo was enacted and kept."""
    paths = Paths(str(tmp_path / "old"))
    os.mkdir(paths.root)
    Path(paths.format).write_bytes(format_text())
    text = (repository / "examples/tarn-hollow/charter.yaml").read_bytes()
    kit = render(usable_plan(Source("charter.yaml", text)).plan)
    making = Making(kit.files, text, "warden", secret=frozenset(("routes.batch",)))
    for step in staging(paths, version_made(1, making, None, NOW), making):
        for effect in step.effects:
            perform(effect)
    os.symlink("versions/0001", paths.kept)
    return paths


def sockets(*names: str) -> Mapping[str, NetDevice]:
    return {name: NetDevice(name, True, True) for name in names}


def test_a_site_moves_to_another_machine(old: Paths, tmp_path: Path) -> None:
    saved = copies.save(old, "Tarn Hollow", "warden", NOW, PASSWORD)
    assert saved.as_json()["secrets"] == "sealed" and saved.as_json()["kept"] == 1
    new = Paths(str(tmp_path / "new"))
    found = copies.take_back(new, saved.data, saved.fingerprint, PASSWORD)
    assert files.link(new.kept) is None  # nothing came into force
    assert files.files(new.version(1)) == files.files(old.version(1))
    charter = understood(copies.charter_of(found))[0]
    here = sockets("eth0", "eth1", "eth2", "eth3", "eth4", "lan9")
    asked = copies.to_be_mapped(charter, here)
    assert asked[-1] == ("eth5", ("barn",), "lan9")
    assert copies.not_there(charter, here) == ("eth5",)
    moved = copies.moved_here(found, {"eth5": "lan9", "eth0": "eth1", "eth1": "eth0"})
    before = usable_plan(copies.charter_of(found)).plan
    after = usable_plan(moved.source).plan
    assert [a.v4 for a in after.areas] == [a.v4 for a in before.areas]
    assert [a.parent for a in after.areas if a.name == "barn"] == ["lan9"]
    assert len(after.rows) == len(before.rows)


def test_the_key_travels_with_the_secrets_only(old: Paths, tmp_path: Path) -> None:
    open_, sealed = (copies.save(old, "T", "w", NOW, one) for one in (None, PASSWORD))
    assert open_.fingerprint == sealed.fingerprint
    assert "signing.key" in open_.about.apart
    one, other = Paths(str(tmp_path / "one")), Paths(str(tmp_path / "other"))
    copies.take_back(one, open_.data, open_.fingerprint)
    copies.take_back(other, sealed.data, sealed.fingerprint, PASSWORD)
    assert copying.signing_seed(other) == copying.signing_seed(old) != copying.signing_seed(one)


def test_a_machine_that_keeps_something_is_left_alone(old: Paths) -> None:
    saved = copies.save(old, "T", "w", NOW)
    before = files.files(old.root)
    with pytest.raises(RolloutRefused, match="already"):
        copies.take_back(old, saved.data, saved.fingerprint)
    after = files.files(old.root)
    assert {n: d for n, d in after.items() if n != "lock"} == {
        n: d for n, d in before.items() if n != "lock"
    }


def test_nothing_is_there_to_be_copied(tmp_path: Path) -> None:
    with pytest.raises(RolloutRefused, match="no state folder"):
        copies.save(Paths(str(tmp_path / "none")), "T", "w", NOW)
    assert not (tmp_path / "none").exists()


def test_another_paper_changes_nothing(old: Paths, tmp_path: Path) -> None:
    saved = copies.save(old, "T", "w", NOW)
    new = tmp_path / "new"
    with pytest.raises(RolloutRefused, match="another key"):
        copies.take_back(Paths(str(new)), saved.data, saved.fingerprint[::-1])
    assert not new.exists()


def test_a_copy_without_a_kept_version_has_no_charter() -> None:
    seed = bytes(32)
    data = backup([Stored("format", format_text())], None, seed, "T", "w", NOW)
    found = restored(data, signing.fingerprint(signing.public_of(seed)))
    with pytest.raises(RolloutRefused, match="no version was kept"):
        copies.charter_of(found)


def test_included_files_come_along() -> None:
    files_ = (Stored("versions/0001/charter.yaml", b"include: more.yaml"),
              Stored("versions/0001/included/more.yaml", b"areas: {}"))  # fmt: skip
    about = About("T", NOW, "w", 1, "none")
    found = Backup(about, files_, "", "")
    source = copies.charter_of(found)
    assert source.load is not None and source.load("more.yaml") == b"areas: {}"
    with pytest.raises(Unreadable):
        source.load("other.yaml")
    assert replace(source, load=None).kept is None


def test_where_the_charter_can_not_be_written_nothing_is_taken_back(
    old: Paths, tmp_path: Path
) -> None:
    """It could not be done again: the state folder would no longer be bare."""
    saved = copies.save(old, "Tarn Hollow", "warden", NOW)
    (tmp_path / "copy").write_bytes(saved.data)
    new, there = tmp_path / "new", tmp_path / "here"
    there.mkdir()
    (there / "charter.yaml").write_text("mine")
    words = ("restore", tmp_path / "copy", "--state", new, "--fingerprint")
    for output in (there, there / "charter.yaml" / "below"):
        found = process(*words, saved.fingerprint, "-o", output)
        assert found.code == 2 and "Traceback" not in found.err
        assert "nothing was changed" in " ".join(found.err.split())
        assert not new.exists() and (there / "charter.yaml").read_text() == "mine"
    wrong = process(*words, "0000", "-o", tmp_path / "wrong")
    assert wrong.code == 2 and not (tmp_path / "wrong").exists()
    (there / "charter.yaml").unlink()
    assert process(*words, saved.fingerprint, "-o", there).code in (0, 1)
    assert (there / "charter.yaml").exists()


@pytest.mark.parametrize("fails", ["charter", "state"])
def test_restore_is_whole_or_nothing(
    old: Paths, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    """Whichever of the two can't be written, neither the other nor a folder of it stays."""
    saved = copies.save(old, "Tarn Hollow", "warden", NOW)
    (tmp_path / "copy").write_bytes(saved.data)
    new, there = tmp_path / "new", tmp_path / "above" / "here"
    refusal = RolloutRefused("No space left on device", "make room")

    def fail(*_: object, **__: object) -> None:
        if fails == "state":
            assert (there / "charter.yaml").exists(), "the charter comes first"
        raise refusal

    where = (restore_command, "write_text") if fails == "charter" else (copies, "take_back")
    monkeypatch.setattr(*where, fail)
    words = ("restore", tmp_path / "copy", "--state", new, "--fingerprint", saved.fingerprint)
    ran = run(*words, "-o", there)
    assert ran.code == 2 and "No space left on device" in ran.err
    assert not new.exists() and not there.parent.exists()
    monkeypatch.undo()
    assert run(*words, "-o", there).code in (0, 1) and (there / "charter.yaml").exists()
