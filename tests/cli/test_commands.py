"""Every command: exit codes, JSON alone on standard output, and how input that can't be used is told."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from netcharter.cli import BEHIND, FRONT
from netcharter.cli.common import MOST
from tests.cli.running import CHARTER, DRAFT, WHEN, Ran, hidden, process, run

COMMANDS: dict[str, tuple[str, ...]] = {  # what comes after the charter
    "check": (),
    "ask": ("who can reach booking",),
    "why": ("--from", "office", "--to", "gateway", "--with", "dns"),
    "show": (),
    "compare": (str(CHARTER),),
    "render": ("-o", "never-written"),
}


def on(command: str, charter: Path | str, *more: str) -> Ran:
    return run(command, charter, *COMMANDS[command], *more)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("check", CHARTER, "--as-of", WHEN), 0),
        (("check", DRAFT, "--as-of", WHEN), 1),
        (("compare", CHARTER, CHARTER), 0),
        (("compare", DRAFT, CHARTER), 1),
        (("ask", CHARTER, "who can reach booking"), 0),
        (("ask", CHARTER, "open sesame"), 2),
        (("ask", CHARTER, "who can reach booking", "--at", "soon"), 2),
        (("why", CHARTER, "--from", "office", "--to", "gateway", "--with", "dns"), 0),
        (("why", CHARTER, "--from", "nemo", "--to", "gateway", "--with", "dns"), 2),
        (("why", CHARTER, "--from", "office", "--to", "gateway"), 2),
        (("why", CHARTER, "--from", "office", "--name", "www.example.org"), 0),
        (("why", CHARTER, "--from", "office", "--name", "www.example.org", "--type", "HTTPS"), 0),
        (("why", CHARTER, "--from", "internet", "--name", "www.example.org"), 2),
        (("why", CHARTER, "--from", "office", "--name", "a..b"), 2),
        (("why", CHARTER, "--from", "office", "--name", "www.example.org", "--with", "dns"), 2),
        (("show", CHARTER), 0),
        (("check",), 2),
        (("check", CHARTER, "--as-of", "9999-12-31"), 2),
        (("check", CHARTER, "--as-of", "yesterday"), 2),
        (("dance",), 2),
        (("--help",), 0),
        (("--version",), 0),
    ],
)
def test_the_exit_code_says_what_came_of_it(arguments: tuple[str | Path, ...], code: int) -> None:
    assert run(*arguments).code == code


@pytest.mark.parametrize("command", [c for c in COMMANDS if c != "render"])
def test_json_stands_alone_on_standard_output(command: str) -> None:
    ran = on(command, CHARTER, "--json")
    assert ran.err == ""
    assert ran.json["ok"] is (ran.code == 0)
    assert ran.out.isascii()


def test_json_of_what_was_found_is_not_ok() -> None:
    for ran in (run("check", DRAFT, "--json"), run("compare", DRAFT, CHARTER, "--json")):
        assert (ran.code, ran.json["ok"], ran.err) == (1, False, "")


@pytest.mark.parametrize("command", COMMANDS)
def test_json_of_what_cannot_be_used_is_a_diagnostic(command: str, tmp_path: Path) -> None:
    ran = on(command, tmp_path / "none.yaml", "--json")
    assert (ran.code, ran.err, ran.json["ok"]) == (2, "", False)
    (told,) = ran.json["diagnostics"]
    assert (told["id"], told["severity"]) == ("cannot-read", "error")
    assert told["span"]["file"] == str(tmp_path / "none.yaml")


@pytest.mark.parametrize("command", ["check", "ask", "why", "compare"])
@pytest.mark.parametrize("date", ["nonsense", "9999-12-31"])
def test_json_of_a_date_that_is_none_is_a_diagnostic(command: str, date: str) -> None:
    ran = on(command, CHARTER, "--json", "--as-of", date)
    assert (ran.code, ran.err, ran.json["ok"]) == (2, "", False)
    (told,) = ran.json["diagnostics"]
    assert (told["id"], told["span"]["file"]) == ("moment-not-understood", "--as-of")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_file_that_cannot_be_read_is_told(command: str, tmp_path: Path) -> None:
    folder = tmp_path / "folder.yaml"
    folder.mkdir()
    for path, reason in ((folder, "is a directory"), (tmp_path / "none", "no such file")):
        ran = on(command, path)
        assert (ran.code, ran.out) == (2, "")
        assert reason in ran.err and str(path) in ran.err.replace("\n", "")
    assert not Path("never-written").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="modes of files")
def test_a_file_that_may_not_be_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "closed.yaml"
    path.write_bytes(CHARTER.read_bytes())
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything
        whole = os.open

        def closed(name: Any, *arguments: Any, **more: Any) -> Any:
            if name == path:
                raise PermissionError(13, "Permission denied", str(name))
            return whole(name, *arguments, **more)

        monkeypatch.setattr(os, "open", closed)
    ran = run("check", path)
    assert (ran.code, ran.out) == (2, "")
    assert "permission denied" in ran.err


BROKEN: dict[str, bytes] = {
    "empty": b"",
    "white space": b" \n\n\t\n",
    "broken": b"charter: 1\nsite: {name: [\n",
    "binary": bytes(range(256)) * 40,
    "zeros": bytes(4096),
    "a list": b"- charter\n- 1\n",
    "a number": b"42\n",
    "not UTF-8": b"charter: 1\nsite: {name: \xff\xfe}\n",
    "deep": b"[" * 100_000,
    "aliases": b"a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\ncharter: [*c, *c]\n",
    "ten megabytes": b"charter: 1\n" + b"# " + b"x" * (10 << 20) + b"\n",
    "ten megabytes of lines": b"charter: 1\n" + b"# x\n" * (10 << 18),
    "escape": b"charter: 1\nsite: {name: \x1b[2J\x1b[31m}\n",
    "escape written": b'charter: 1\nsite: {name: "\\e[2J", timezone: "\\x07"}\n',
    "right to left": "charter: 1\nsite: {name: \u202egnp.exe\u202c, timezone: x}\n".encode(),
    "bidi key": "charter: 1\n\u2066site\u2069: {}\n\u200bareas: 3\n".encode(),
    "shell": b"charter: 1\nsite: {name: '$(reboot); `id`', timezone: '; rm'}\nlines: no\n",
    "next line": "charter: 1\nsite: {name: a\u2028b\u0085c, timezone: x}\n".encode(),
}


@pytest.mark.parametrize("command", ["check", "compare", "show"])
@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_charter_is_told_without_anything_raw(
    command: str, name: str, tmp_path: Path
) -> None:
    path = tmp_path / "charter.yaml"
    path.write_bytes(BROKEN[name])
    ran = on(command, path)
    assert (ran.code, ran.out) == (2, "")
    assert "error at " in ran.err and f"{path}:" in ran.err.replace("\n", "")
    assert hidden(ran.err) == []
    assert "Traceback" not in ran.err
    assert len(ran.err) < 200_000
    told = on(command, path, "--json").json
    assert told["ok"] is False
    for diagnostic in told["diagnostics"]:
        assert diagnostic["span"]["line"] >= 1 and diagnostic["span"]["column"] >= 1


def test_both_charters_of_a_comparison_are_told_by_their_names(tmp_path: Path) -> None:
    broken = tmp_path / "new.yaml"
    broken.write_text("charter: 2\n")
    assert str(broken) in run("compare", CHARTER, broken).err.replace("\n", "")
    assert str(broken) in run("compare", broken, CHARTER).err.replace("\n", "")


HOSTILE_NAMES = (
    "esc\x1b[2J\x1b]0;owned\x07.yaml",
    "bidi\u202elmay.exe",
    "new\nline: 1.yaml",
    "quote'\".yaml",
    "$(touch owned);`id`.yaml",
    "-o",
    "[bold red]rich[-].yaml",
    "{jinja}.yaml",
)


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_a_hostile_file_name_is_never_raw_in_any_output(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    missing = run("check", "--", name)
    assert missing.code == 2 and hidden(missing.everything) == []
    Path(name).write_bytes(DRAFT.read_bytes())
    for arguments in (
        ("check", "--page", "out.html", "--", name),
        ("ask", "--", name, "who can reach booking"),
        ("compare", "--", name, str(CHARTER)),
        ("show", "--", name),
        ("why", "--from", "office", "--to", "gateway", "--with", "dns", "--", name),
    ):
        ran = run(*arguments)
        assert ran.code in (0, 1)
        assert hidden(ran.everything) == []
    page = Path("out.html").read_text("utf-8")
    assert hidden(page) == []
    assert "owned\x07" not in page and not Path("owned").exists()


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_hostile_words_on_the_command_line_are_never_raw(name: str) -> None:
    for arguments in (
        ("ask", CHARTER, "--from", name),
        ("ask", CHARTER, "--", f"who can reach {name}"),
        ("ask", CHARTER, "who can reach booking", f"--at={name}"),
        ("why", CHARTER, f"--from={name}", "--to=gateway", "--with=dns"),
        ("why", CHARTER, "--from=office", f"--to={name}", "--with=dns"),
        ("why", CHARTER, "--from=office", "--to=gateway", f"--with={name}"),
        ("why", CHARTER, "--from=office", "--to=gateway", "--with=dns", f"--down={name}"),
        ("why", CHARTER, "--from=office", "--to=gateway", "--with=dns", f"--signed-in={name}"),
        ("check", CHARTER, f"--as-of={name}"),
        ("check", CHARTER, "extra", name),
        ("show", CHARTER, f"--by={name}"),
        (f"x{name}",),
        ("check", CHARTER, f"--{name}"),
    ):
        ran = run(*arguments)
        assert ran.code == 2, arguments
        assert hidden(ran.everything) == [], arguments


def test_an_included_file_stays_within_the_charters_folder(tmp_path: Path) -> None:
    secret = tmp_path / "secret.yaml"
    secret.write_text("areas: {secret-area: {device: eth1, hosts: 5}}\n")
    inside = tmp_path / "site"
    inside.mkdir()
    (inside / "link.yaml").symlink_to(secret)
    (inside / "latin.yaml").write_bytes(b"areas: {\xe9: 1}\n")
    (inside / "folder.yaml").mkdir()
    for name in ("../secret.yaml", str(secret), "link.yaml", "none.yaml", "latin.yaml",
                 "folder.yaml", "a/../../secret.yaml", "charter.yaml"):  # fmt: skip
        charter = inside / "charter.yaml"
        charter.write_text(f"charter: 1\ninclude: ['{name}']\n")
        ran = run("check", charter)
        assert ran.code == 2
        assert "secret-area" not in ran.everything
        assert ("not-utf-8" if name == "latin.yaml" else "include") in ran.err


def test_an_included_file_is_read_from_beside_the_charter(tmp_path: Path) -> None:
    text = CHARTER.read_text("utf-8")
    head, _, tail = text.partition("\nrules:\n")
    (tmp_path / "parts").mkdir()
    (tmp_path / "parts" / "rules.yaml").write_text("rules:\n" + tail, "utf-8")
    charter = tmp_path / "charter.yaml"
    charter.write_text(head.replace("charter: 1", "charter: 1\ninclude: parts/rules.yaml"))
    assert run("compare", CHARTER, charter, "--as-of", WHEN).code == 0
    found = run("check", charter, "--json", "--as-of", WHEN).json
    files = {Path(finding["span"]["file"]).name for finding in found["findings"]}
    assert files == {"charter.yaml", "rules.yaml"}


def test_no_more_is_read_than_a_charter_may_be_long(tmp_path: Path) -> None:
    path = tmp_path / "long.yaml"
    with path.open("wb") as file:
        file.truncate(MOST * 64)
    ran = run("check", path)
    assert ran.code == 2 and "error at" in ran.err


# --- the page ------------------------------------------------------------------------------------


def test_the_page_is_written_beside_whatever_was_found(tmp_path: Path) -> None:
    page = tmp_path / "out.html"
    ran = run("check", DRAFT, "--page", page, "--as-of", WHEN)
    assert ran.code == 1 and f"page written: {page}" in ran.out.replace("\n", "")
    assert page.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert page.stat().st_mode & 0o777 == 0o640
    assert [p.name for p in tmp_path.iterdir()] == ["out.html"]
    told = run("check", DRAFT, "--page", page, "--json", "--as-of", WHEN)
    assert told.json["ok"] is False


@pytest.mark.parametrize("where", ["none/out.html", "charter.yaml", "link.yaml", "folder"])
def test_a_page_that_cannot_be_written_changes_nothing(where: str, tmp_path: Path) -> None:
    charter = tmp_path / "charter.yaml"
    charter.write_bytes(CHARTER.read_bytes())
    (tmp_path / "link.yaml").symlink_to(charter)
    (tmp_path / "folder").mkdir()
    before = sorted(p.name for p in tmp_path.rglob("*"))
    ran = run("check", charter, "--page", tmp_path / where)
    assert ran.code == 2
    assert ran.out == ""
    assert charter.read_bytes() == CHARTER.read_bytes()
    assert sorted(p.name for p in tmp_path.rglob("*")) == before


# --- the kit -------------------------------------------------------------------------------------


def test_a_kit_is_written_for_owner_and_group(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "kit"
    ran = run("render", CHARTER, "-o", folder, "--json")
    assert ran.code == 0 and ran.json["folder"] == str(folder)
    assert {f["name"] for f in ran.json["files"]} == {p.name for p in folder.iterdir()}
    for path in folder.iterdir():
        assert path.stat().st_mode & 0o777 == 0o640
    assert folder.stat().st_mode & 0o027 == 0
    assert [p.name for p in folder.parent.iterdir()] == ["kit"]


def test_a_kit_takes_the_place_of_an_earlier_one_or_of_an_empty_folder(tmp_path: Path) -> None:
    folder = tmp_path / "kit"
    folder.mkdir()
    assert run("render", DRAFT, "-o", folder).code == 0
    first = (folder / "nftables.nft").read_bytes()
    assert run("render", CHARTER, "-o", folder).code == 0
    assert (folder / "nftables.nft").read_bytes() != first
    assert [p.name for p in tmp_path.iterdir()] == ["kit"]


@pytest.mark.parametrize(
    "files",
    [
        {"thesis.txt": "years of work"},
        {"manifest.json": "{}"},
        {"manifest.json": '{"name": "a web page", "icons": []}', "index.html": "<p>"},
        {"manifest.json": "not JSON", "x": "y"},
        {"manifest.json": "[" * 100_000},
        {"manifest.json": '{"netcharter": "1", "files": []}', "x": "y"},
        {".hidden": "x"},
    ],
)
def test_a_folder_of_somebody_else_is_left_as_it_is(files: dict[str, str], tmp_path: Path) -> None:
    folder = tmp_path / "work"
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text)
    ran = run("render", CHARTER, "-o", folder)
    assert ran.code == 2 and "not-a-kit" in ran.err
    assert {p.name: p.read_text() for p in folder.iterdir()} == files


def test_a_kit_with_something_of_somebody_in_it_is_left_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "kit"
    assert run("render", CHARTER, "-o", folder).code == 0
    (folder / "notes.txt").write_text("mine")
    assert run("render", DRAFT, "-o", folder).code == 2
    assert (folder / "notes.txt").read_text() == "mine"


@pytest.mark.parametrize("fault", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_an_interrupted_kit_leaves_the_earlier_one(
    fault: BaseException | type[BaseException], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "kit"
    assert run("render", DRAFT, "-o", folder).code == 0
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    whole, renamed = Path.rename, []

    def rename(self: Path, target: Path) -> Path:
        renamed.append(self)
        if len(renamed) == 2:  # the old kit is away, the new one not yet there
            raise fault
        return whole(self, target)

    monkeypatch.setattr(Path, "rename", rename)
    assert run("render", CHARTER, "-o", folder).code == (2 if isinstance(fault, OSError) else 130)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["kit"]


def test_a_kit_onto_a_file_or_below_one_is_told(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("mine")
    assert run("render", CHARTER, "-o", file).code == 2
    assert run("render", CHARTER, "-o", file / "kit").code == 2
    assert file.read_text() == "mine"


# --- new -----------------------------------------------------------------------------------------


def test_a_conversation_with_nothing_but_proposals_writes_a_charter_that_checks_clean(
    tmp_path: Path,
) -> None:
    file = tmp_path / "charter.yaml"
    answers = "Bracken Hut\n" + "\n" * 80
    ran = process("new", str(file), answers=answers)
    assert ran.code == 0, ran.everything
    assert "0 broken; 0 errors" in ran.out
    assert file.stat().st_mode & 0o777 == 0o640
    assert process("check", str(file)).code == 0
    assert [p.name for p in tmp_path.iterdir()] == ["charter.yaml"]


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    file = tmp_path / "charter.yaml"
    file.write_text("mine")
    ran = run("new", file, answers="\n" * 50)
    assert ran.code == 2 and "file-exists" in ran.err
    assert file.read_text() == "mine"


@pytest.mark.parametrize("lines", [0, 1, 3])
def test_a_conversation_that_ends_early_leaves_nothing(lines: int, tmp_path: Path) -> None:
    ran = process("new", str(tmp_path / "charter.yaml"), answers="\n" * lines)
    assert ran.code == 130
    assert "nothing is left half done" in ran.err and "Traceback" not in ran.everything
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_in_a_conversation_leaves_nothing(tmp_path: Path) -> None:
    command = [sys.executable, "-c", "from netcharter.cli import main; main()", "new", "c.yaml"]
    talk = subprocess.Popen(
        command, cwd=tmp_path, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert talk.stdin is not None and talk.stdout is not None
    first = talk.stdout.readline() + talk.stdout.readline()
    assert first.strip()
    time.sleep(0.2)
    talk.send_signal(signal.SIGINT)
    out, err = talk.communicate(timeout=60)
    assert talk.returncode == 130, out + err
    assert "Traceback" not in out + err
    assert list(tmp_path.iterdir()) == []


# --- help ----------------------------------------------------------------------------------------


def test_the_help_lists_every_command() -> None:
    ran = run("--help")
    assert all(f"\n  {name} " in ran.out for name in (*FRONT, *BEHIND))
    assert "Exit 0" in ran.out


@pytest.mark.parametrize("command", [*FRONT, *BEHIND])
def test_every_command_has_help_of_its_own(command: str) -> None:
    ran = run(command, "--help")
    assert ran.code == 0 and ran.out.startswith(f"Usage: main {command}") and len(ran.out) > 120


HEAVY = ("pydantic", "yaml", "rich", "netaddr", "jinja2", "netcharter.charter", "netcharter.plan",
         "netcharter.proofs", "netcharter.tasks", "netcharter.render")  # fmt: skip


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["check", "--help"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    script = (
        "import sys\nfrom netcharter.cli import main\n"
        "try:\n    main(sys.argv[1:])\nfinally:\n"
        "    print('loaded:', *sys.modules, file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    loaded = done.stderr.partition("loaded:")[2].split()
    assert "click" in loaded
    assert [m for m in loaded if any(m == h or m.startswith(f"{h}.") for h in HEAVY)] == []


def test_a_process_of_its_own_exits_with_the_same_codes(tmp_path: Path) -> None:
    assert process("check", CHARTER, "--as-of", WHEN).code == 0
    assert process("check", DRAFT, "--as-of", WHEN).code == 1
    missing = process("check", tmp_path / "none.yaml")
    assert (missing.code, missing.out) == (2, "")
    assert process("check", CHARTER, "--json", "--as-of", WHEN).json["ok"] is True
