"""The unit: its text, and what the service manager's own tools say of it."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from netcharter.steward.unit import UNIT, steward_unit
from tests.docs.test_findings_page import UPDATE

GOLDEN = Path(__file__).with_name(UNIT)
MOST_EXPOSED = 3.0  # of 10, by `systemd-analyze security`; below 5 it says OK


def test_the_unit_is_the_one_that_was_read_by_people() -> None:
    """Run with NETCHARTER_UPDATE_GOLDEN=1 after a change, and read what changed."""
    text = steward_unit(["/usr/bin/netcharter", "steward"])
    if os.environ.get(UPDATE):
        GOLDEN.write_text(text, encoding="utf-8")
    assert GOLDEN.read_text("utf-8") == text


def test_the_group_is_asked_for_only_where_it_exists() -> None:
    line = "SupplementaryGroups=netcharter\n"
    with_group = steward_unit(["/usr/bin/netcharter"], group=True)
    assert with_group.replace(line, "") == steward_unit(["/usr/bin/netcharter"])
    assert line in with_group


def test_one_that_mends_may_write_kernel_settings_and_where_files_of_a_kit_lie() -> None:
    """systemd.exec(5): what begins with a dash need not be there."""
    plain, mending = (steward_unit(["/usr/bin/netcharter"], mends=mends) for mends in (False, True))
    assert "ProtectKernelTunables=yes\n" in plain
    places = "".join(
        f"ReadWritePaths=-{one}\n" for one in ("/etc/netcharter", "/etc/ppp", "/etc/systemd/system")
    )
    assert places in mending and mending.replace(places, "") == plain.replace(
        "ProtectKernelTunables=yes", "ProtectKernelTunables=no"
    )


def test_it_may_write_where_its_state_folder_is_and_nowhere_else() -> None:
    """systemd.exec(5): with ProtectSystem=strict only what ReadWritePaths names can be written."""
    plain = steward_unit(["/usr/bin/netcharter"])
    other = steward_unit(["/usr/bin/netcharter"], folders=["/srv/net charter", "/run/a%b"])
    lines = 'ReadWritePaths="/srv/net charter"\nReadWritePaths=/run/a%%b\n'
    assert lines in other and other.replace(lines, "") == plain
    assert "ProtectSystem=strict\n" in plain and "ReadWritePaths" not in plain


def test_words_of_the_command_are_quoted_and_what_no_unit_can_hold_is_refused() -> None:
    text = steward_unit(["/usr/bin/netcharter", "steward", "--state", '/a b/%i"$X'])
    assert '\nExecStart=/usr/bin/netcharter steward --state "/a b/%%i\\"$$X"\n' in text
    with pytest.raises(ValueError, match="can't stand"):
        steward_unit(["/usr/bin/netcharter\nUser=nobody"])


def analysed(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("no systemd-analyze here")
    path = folder / UNIT
    text = steward_unit(["/bin/true", "steward"], folders=["/srv/net charter", "/run"])
    path.write_text(text, encoding="utf-8")
    return subprocess.run(
        ["systemd-analyze", *arguments, str(path)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_systemd_understands_every_line_of_it(tmp_path: Path) -> None:
    found = analysed(tmp_path, "verify", "--man=no")
    complaints = [line for line in found.stderr.splitlines() if UNIT in line]
    assert (found.returncode, complaints) == (0, [])


def test_systemd_finds_it_little_exposed(tmp_path: Path) -> None:
    found = analysed(tmp_path, "security", "--offline=true", "--no-pager")
    level = re.search(r"exposure level for \S+: (\d+\.\d+)", found.stdout)
    assert level is not None, found.stdout + found.stderr
    assert float(level[1]) < MOST_EXPOSED
