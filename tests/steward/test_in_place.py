"""Which version the steward works by: the one on trial, else the one that is kept."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import pytest

from netcharter.rollout.run.lock import this_process
from netcharter.rollout.run.real import RealHost
from netcharter.rollout.store import Armed, Trial, armed_text, format_text, trial_text
from netcharter.rollout.trouble import StateBroken
from netcharter.steward.loop.facts import boot_id
from netcharter.steward.loop.world import Handed
from netcharter.steward.settings import Settings
from netcharter.steward.shapes import Agreement, Stands
from netcharter.tasks.enacting.acts import work_at
from netcharter.tasks.enacting.place import Decided, deciding, was_decided
from netcharter.tasks.sources import Unusable
from netcharter.tasks.steward import duties, handed, in_place, stamp, stands
from netcharter.tasks.steward_asks import UNTOLD, agreement, asked_by
from tests.steward.charters import DAY

SMALL = DAY.decode().replace("Small, timezone: UTC", "Version %d, timezone: Europe/London")


def version(state: Path, number: int, text: str = SMALL) -> None:
    (state / "format").write_bytes(format_text())
    folder = state / "versions" / f"{number:04}"
    folder.mkdir(parents=True)
    (folder / "charter.yaml").write_text(text.replace("%d", str(number)))


def trial(
    state: Path,
    number: int,
    phase: Literal["changing", "waiting", "undoing"],
    boot: str | None = None,
) -> None:
    """One of this very boot, whose timer is armed."""
    (state / "trial").mkdir(exist_ok=True)
    now = datetime(2026, 11, 26, 3, tzinfo=UTC)
    data = trial_text(Trial(number, 1, phase, "keeper", now, 100.0, boot or boot_id()))
    (state / "trial" / "trial.json").write_bytes(data)
    (state / "trial" / "armed").write_bytes(armed_text(Armed(number, this_process())))


def test_nothing_is_in_place_in_an_empty_folder(tmp_path: Path) -> None:
    assert in_place(tmp_path) is None
    assert handed(tmp_path).schedule() is None


def test_what_is_kept_counts_and_what_is_on_trial_counts_more(tmp_path: Path) -> None:
    version(tmp_path, 1)
    version(tmp_path, 2)
    (tmp_path / "kept").symlink_to("versions/0001")
    stamps = [stamp(tmp_path)]
    found = in_place(tmp_path)
    assert found is not None and (found.site, found.version) == ("Version 1", 1)
    assert [one.set for one in found.timed] == ["nc_open_day", "nc_rest_day"]
    assert found.devices == ("eth2", "eth0", "lo")
    for phase, number in (("changing", 2), ("waiting", 2), ("undoing", 1)):
        (tmp_path / "trial" / "trial.json").unlink(missing_ok=True)
        trial(tmp_path, 2, phase)  # type: ignore[arg-type]
        stamps.append(stamp(tmp_path))
        during = in_place(tmp_path)
        assert during is not None and during.version == number
    assert len(set(stamps)) >= 2 and stamps[0] not in stamps[1:]


@pytest.mark.parametrize("which", ["unbegun", "overtaken", "decided"])
def test_a_trial_that_is_over_or_never_began_does_not_count(tmp_path: Path, which: str) -> None:
    """The installer died before it was armed; the machine was started anew; it died just after the
    link was moved."""
    for number in (1, 2):
        version(tmp_path, number)
    (tmp_path / "kept").symlink_to(f"versions/000{2 if which == 'decided' else 1}")
    trial(tmp_path, 2, "changing", "an earlier boot" if which == "overtaken" else None)
    before = stamp(tmp_path)
    if which == "unbegun":
        (tmp_path / "trial" / "armed").unlink()
        assert stamp(tmp_path) != before
    found, asked = in_place(tmp_path), handed(tmp_path).holds
    assert found is not None and found.version == (2 if which == "decided" else 1)
    assert asked is not None and asked() is not None  # what is kept is in place: it is asked


def test_it_is_known_by_which_version_open_conversations_were_decided(tmp_path: Path) -> None:
    for number in (1, 2):
        version(tmp_path, number)
    (tmp_path / "kept").symlink_to("versions/0001")
    assert stands(tmp_path) == Stands(1)
    work = work_at(str(tmp_path), "keeper", host=RealHost())
    was_decided(work, 2, Decided(2))
    assert stands(tmp_path) == Stands(1, 2) and stands(tmp_path).undecided
    with deciding(work):
        assert stands(tmp_path) == Stands(1, 2, busy=True) and not stands(tmp_path).undecided
    for broken in (b"", b'{"pid": 1, "started": 0}'):  # another process has that number by now
        (tmp_path / "deciding.json").write_bytes(broken)
        assert stands(tmp_path) == Stands(1, 2)
    trial(tmp_path, 2, "waiting")
    assert stands(tmp_path) == Stands(2, 2) and not stands(tmp_path).undecided
    trial(tmp_path, 2, "undoing")
    assert stands(tmp_path) == Stands(1, 2, busy=True)
    (tmp_path / "format").unlink()
    assert stands(tmp_path) == Stands()


def test_what_is_written_is_named_and_what_is_broken_is_told(tmp_path: Path) -> None:
    version(tmp_path, 1, "charter: 1\n")
    (tmp_path / "kept").symlink_to("versions/0001")
    with pytest.raises(Unusable):
        in_place(tmp_path)
    (tmp_path / "versions/0001/charter.yaml").unlink()
    with pytest.raises(StateBroken, match="charter is missing"):
        in_place(tmp_path)
    version(tmp_path, 2)
    (tmp_path / "kept").unlink()
    (tmp_path / "kept").symlink_to("versions/0002")
    (tmp_path / "versions/0002/kit").mkdir()
    (tmp_path / "versions/0002/kit/manifest.json").write_text("{}")
    with pytest.raises(StateBroken, match="manifest"):
        in_place(tmp_path)


def test_a_version_may_be_split_into_files_of_its_folder(tmp_path: Path) -> None:
    version(tmp_path, 1, SMALL + "include: [more.yaml]\n")
    (tmp_path / "kept").symlink_to("versions/0001")
    with pytest.raises(Unusable, match="not in the version's folder"):
        in_place(tmp_path)
    more = tmp_path / "versions/0001/included/more.yaml"
    more.parent.mkdir()
    more.write_text("areas: {barn: {device: eth5, hosts: 3}}\n")
    found = in_place(tmp_path)
    assert found is not None and found.devices == ("eth2", "eth5", "eth0", "lo")


def test_whether_the_kernel_holds_is_asked_of_a_program_and_only_of_what_is_kept(
    tmp_path: Path,
) -> None:
    document = tmp_path / "answer.json"
    ask = asked_by(("cat", str(document)), lambda: False)
    missing = ask()
    assert missing is not None and missing.state == "not known"
    row = {"from": "tills", "to": "office", "service": "ssh", "when": "from 03:00", "witness": "a"}
    said: dict[str, object] = {
        "ok": False, "state": "otherwise", "opened": [], "closed": [row], "altered": [],
        "totals": {"opened": "0", "closed": "12", "altered": "0"}, "others": ["ip_forward is 0"],
    }  # fmt: skip
    document.write_text(json.dumps(said))
    first = ask()
    assert first is not None and first.state == "otherwise"
    assert "12 connections are let though the plan refuses them" in first.summary
    assert "tills to office with ssh" in first.summary and "ip_forward" in first.summary
    row |= {"when": "from 03:05", "witness": "b"}
    document.write_text(json.dumps(said))
    assert ask() == first  # asked later, the same difference is the same alarm
    document.write_text(json.dumps(said | {"others": []}))
    other = ask()
    assert other is not None and other.digest != first.digest
    assert asked_by(("cat", str(document)), lambda: True)() is None
    begins = iter([False, True])  # a trial begins while the program is at it
    assert asked_by(("cat", str(document)), lambda: next(begins))() is None


@pytest.mark.parametrize(
    ("document", "state", "words"),
    [
        ({"ok": True, "state": "as planned"}, "as planned", ""),
        ({"ok": False, "state": "nothing of ours"}, "nothing of ours", ""),
        ({"ok": False, "state": "refused", "reason": "busy\x1b[2J"}, "not known", "busy<U+001B>[2J"),
        ({"ok": False, "diagnostics": [{"message": "run it as root"}]}, "not known", "run it as root"),
        ({"ok": False, "state": "otherwise", "untold": "no namespaces"}, "otherwise", UNTOLD),
        ({"ok": False, "state": "nothing of ours", "untold": "no"}, "nothing of ours", ""),
        ([], "not known", "no answer that is understood"),
        ({"state": 1}, "not known", "no answer that is understood"),
    ],
)  # fmt: skip
def test_answers_of_all_kinds_are_understood(document: object, state: str, words: str) -> None:
    found = agreement(document)
    assert (found.state, found.summary) == (state, words)


def test_whether_the_kernel_holds_is_asked_where_somebody_can_tell() -> None:
    def nothing() -> None:
        return None

    bare = Handed(nothing, str)
    asking = Handed(nothing, str, holds=lambda: Agreement("as planned"), mend=lambda why: None)
    assert [duty.name for duty in duties(Settings(), bare)] == [
        "hours",
        "names",
        "lines",
        "health",
        "updates",
        "addresses",
        "leading",
    ]
    assert [duty.name for duty in duties(Settings(), asking)][-1] == "holds"
