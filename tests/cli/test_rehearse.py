"""`netcharter rehearse` as a person runs it: what it prints, writes, leaves, and how it ends."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from netcharter.lab import tools
from netcharter.tasks import rehearse as task
from netcharter.tasks.kit import Rendered, render_charter
from netcharter.tasks.sources import Source
from tests.cli.running import CHARTER, DRAFT, WHEN, hidden, run
from tests.docs.shapes import breaches, shapes
from tests.lab.rehearsing import SMALL

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "json.md"
STORY = ("--from", "bunkrooms", "--to", "till-1", "--with", "https", "--as-of", WHEN)
MAIN = [sys.executable, "-c", "from netcharter.cli import main; main()"]
PATIENCE = 60.0

pytestmark = pytest.mark.kernel


@pytest.fixture
def small(tmp_path: Path) -> Path:
    path = tmp_path / "charter.yaml"
    path.write_text(SMALL)
    return path


@pytest.fixture
def faulty(monkeypatch: pytest.MonkeyPatch) -> None:
    """A renderer that forgets to hide sources."""

    def forgetful(source: Source) -> Rendered:
        found = render_charter(source)
        files = dict(found.kit.files)
        text = files["nftables.nft"].replace(b'oifname { "eth0", "eth1" }', b'oifname "eth9"')
        files["nftables.nft"] = text
        return replace(found, kit=replace(found.kit, files=files))

    monkeypatch.setattr(task, "render_charter", forgetful)


def document(*arguments: str | Path) -> tuple[int, Any]:
    ran = run("rehearse", *arguments, "--json")
    found = ran.json
    assert list(breaches(found, "rehearse", shapes(PAGE.read_text("utf-8")))) == []
    assert found["ok"] is (ran.code == 0)
    return ran.code, found


def test_the_storys_packet_passes_in_the_draft_and_is_refused_after_the_mend() -> None:
    code, draft = document(DRAFT, *STORY)
    assert code == 0 and draft["promises_broken"] > 0
    assert len(draft["listed"]) == 2  # IPv4 and IPv6
    for each in draft["listed"]:
        assert each["decided_by"] == "rule 4" and each["probe"]["shape"] == "talk"
        assert each["seen"]["answer"] == "answered"
        assert [where["station"] for where in each["seen"]["arrivals"]] == ["tills/till-1"]
    code, mended = document(CHARTER, *STORY)
    assert code == 0 and mended["promises_broken"] == 0
    for each in mended["listed"]:
        assert (each["seen"]["answer"], each["seen"]["arrivals"]) == ("reset", [])


def test_the_story_in_words() -> None:
    ran = run("rehearse", DRAFT, *STORY)
    text = " ".join(ran.out.split())
    assert "let by rule 4: arrived at tills/till-1" in text and "data both ways" in text
    assert "promises of this charter do not hold" in text
    text = " ".join(run("rehearse", CHARTER, *STORY).out.split())
    assert "refused by default: reset" in text
    assert "promises of this charter" not in text


def test_a_rehearsal_in_words_has_its_limits_and_cautions(small: Path) -> None:
    ran = run("rehearse", small, "--limit", "200", "--as-of", WHEN)
    assert ran.code == 0 and ran.err == ""
    for part in (
        "proven   what the kernel has loaded",
        " probes tried in ",
        " agreed, 0 did not",
        "named    hosts in 4 areas" if tools.path_of("unbound") else "UNNAMED",
        "lent     " if tools.path_of("dhcpcd") else "UNASKED",
        "heard    hosts in 4 areas" if tools.path_of("dnsmasq") else "UNHEARD",
        "not tried (",
        "the lab is not like the site:",
        "limits of a rehearsal:",
        "please mind:",
    ):
        assert part in ran.out
    assert all(len(line) <= 100 for line in ran.out.splitlines())
    assert hidden(ran.out) == []


def test_a_mismatch_is_told_with_both_sides_and_its_frames_are_kept(
    small: Path, tmp_path: Path, faulty: None
) -> None:
    folder = tmp_path / "frames"
    arguments = (small, "--limit", "300", "--as-of", WHEN, "--captures", folder)
    code, found = document(*arguments)
    assert code == 1 and found["mismatches"]
    assert not found["kernel"]["same"]
    for each in found["mismatches"]:
        assert any("from" in words for words in each["differences"])
        assert each["span"]["file"] == str(small) or each["span"] is None
        assert Path(each["capture"]).parent == folder
        assert Path(each["capture"]).read_bytes().startswith(b"\x0a\x0d\x0d\x0a")
        assert Path(each["capture"]).stat().st_mode & 0o777 == 0o640
    ran = run("rehearse", *arguments)
    text = " ".join(ran.out.split())
    assert ran.code == 1
    assert "MISMATCH" in text and "DIFFERS" in text
    assert "predicted: at copper from 203.0.113.10; seen: from 10." in text
    assert f"its frames: {folder}/probe-" in text


def test_without_mismatches_no_folder_is_made(small: Path, tmp_path: Path) -> None:
    folder = tmp_path / "frames"
    assert run("rehearse", small, "--limit", "20", "--captures", folder).code == 0
    assert not folder.exists()


def test_a_folder_that_cannot_be_is_told(small: Path, tmp_path: Path, faulty: None) -> None:
    (tmp_path / "file").write_text("")
    ran = run("rehearse", small, "--limit", "200", "--captures", tmp_path / "file" / "frames")
    assert ran.code == 2 and "(cannot-write)" in ran.err
    assert "MISMATCH" in ran.out, "what was seen is told all the same"


@pytest.mark.parametrize(
    "asked",
    ["spare-laptop internet https", "office office https", "office 255.255.255.255 udp/67"],
)
def test_what_two_machines_cannot_talk_about_is_sent_as_a_packet(asked: str) -> None:
    """A machine that has not the address, the same one at both ends, an address of many."""
    starter, target, service = asked.split()
    only = ("--from", starter, "--to", target, "--with", service)
    code, found = document(CHARTER, "--as-of", WHEN, *only)
    assert code == 0 and found["agreed"] == found["probes"] > 0, found["mismatches"]


def test_where_nothing_could_be_tried_all_is_not_well() -> None:
    only = ("--from", "office", "--to", "fe80::1", "--with", "https")
    code, found = document(CHARTER, "--as-of", WHEN, *only)
    assert code == 1 and found["probes"] == found["tried"] == 0
    assert len(found["unprobed"]) == 1 and not found["mismatches"]


def test_a_rehearsal_cut_short_is_no_success(small: Path) -> None:
    code, found = document(small, "--within", "1", "--limit", "3000")
    assert code == 1 and found["tried"] < found["probes"]
    assert any(each["why"] == "the time was over" for each in found["unprobed"])


def test_where_there_can_be_no_lab_it_says_why(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tools, "path_of", lambda name: None)
    ran = run("rehearse", small)
    assert ran.code == 2
    assert "there can be no lab here" in ran.err and "install" in ran.err
    assert run("rehearse", small, "--json").json["diagnostics"][0]["id"] == "cannot-rehearse"


def test_a_kit_that_does_not_load_is_told_in_the_words_of_the_program(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(source: Source) -> Rendered:
        found = render_charter(source)
        files = {**found.kit.files, "nftables.nft": b"table inet netcharter {\n    oops\n}\n"}
        return replace(found, kit=replace(found.kit, files=files))

    monkeypatch.setattr(task, "render_charter", broken)
    ran = run("rehearse", small)
    assert ran.code == 2
    assert "the kit can't be put in place in the lab" in " ".join(ran.err.split())


def test_how_far_it_is_shows_on_a_terminal_and_never_on_standard_output(small: Path) -> None:
    ours, theirs = pty.openpty()
    arguments = ["rehearse", str(small), "--limit", "20", "--json"]
    running = subprocess.Popen(
        [*MAIN, *arguments], stdout=subprocess.PIPE, stderr=theirs, stdin=subprocess.DEVNULL
    )
    os.close(theirs)
    shown = b""
    try:
        with suppress(OSError):  # EIO: the other side has closed it (pty(7))
            while part := os.read(ours, 4096):
                shown += part
        assert running.stdout is not None
        printed = running.stdout.read()
    finally:
        os.close(ours)
        running.kill()
        running.wait()
    found = json.loads(printed)
    assert found["agreed"] == found["probes"] > 0
    assert b"/%d" % found["probes"] in shown and b"bringing the site up" in shown


@pytest.mark.parametrize(
    "said",
    [
        ("--from", "office"),
        ("--from", "office", "--to", "internet"),
        ("--with", "https"),
    ],
)
def test_half_a_connection_is_not_taken(small: Path, said: tuple[str, ...]) -> None:
    ran = run("rehearse", small, *said)
    assert ran.code == 2 and "belong together" in ran.err


def test_a_connection_that_cannot_be_understood_is_told(small: Path) -> None:
    ran = run("rehearse", small, "--from", "offcie", "--to", "internet", "--with", "https")
    assert ran.code == 2 and "(question-not-understood)" in ran.err


def test_ctrl_c_ends_it_and_leaves_nothing() -> None:
    running = subprocess.Popen(
        [*MAIN, "rehearse", str(CHARTER)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        children = _children_of(running)
        os.kill(running.pid, signal.SIGINT)
        out, err = running.communicate(timeout=PATIENCE)
    finally:
        running.kill()
        running.wait()
    assert running.returncode == 130
    assert out == "" and "ended; nothing is left half done" in err
    assert not [child for child in children if Path(f"/proc/{child}").exists()]


def _children_of(running: subprocess.Popen[str]) -> list[int]:
    """The processes it has started, once there are any."""
    file = Path(f"/proc/{running.pid}/task/{running.pid}/children")
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end and running.poll() is None:
        found = [int(child) for child in file.read_text().split()]
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError("the lab was never begun")
