"""Who else takes connections to port 80, and a program that services can't read."""

from __future__ import annotations

import sys

import pytest

from netcharter.render import gate
from netcharter.render.placing import UNITS
from netcharter.rollout.prepare import facts_of, prepare
from netcharter.rollout.preparing.shapes import Found, Wanted
from netcharter.tasks import preparing
from tests.gate.site import plan
from tests.rollout.machine import answers

HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid\n"
# Lines of /proc/net/tcp and tcp6 as a little-endian kernel writes them (proc(5)): 10.40.0.1 is
# 0100280A, port 80 is 0050, 0A is who listens.
HERE = "   0: 0100280A:0050 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0\n"
ANY = HERE.replace("0100280A", "00000000")
ANY6 = HERE.replace("0100280A", "0" * 32).replace(" 00000000:0000 0A", f" {'0' * 32}:0000 0A")


def wanted() -> Wanted:
    files = gate.gate(plan())
    at = {gate.AT: files[gate.SETTINGS], f"{UNITS}/{gate.UNIT}": files[gate.UNIT_FILE]}
    return Wanted((), placed={path: text.encode() for path, text in at.items()})


def found(wanted: Wanted, files: dict[str, str]) -> list[Found]:
    told = {path: text.encode() for path, text in files.items()}
    return [
        one
        for one in prepare(wanted, facts_of(answers(files=told))).findings
        if one.id in ("port-of-pages-taken",)
    ]


@pytest.mark.parametrize(
    ("file", "line", "taken"),
    [
        ("tcp", HERE, True),
        ("tcp", ANY, True),
        ("tcp6", ANY6, True),
        ("tcp", HERE.replace("0A 0", "01 0"), False),  # a connection, and nobody who listens
        ("tcp", HERE.replace(":0050", ":1F90"), False),
        ("tcp", HERE.replace("0100280A", "0100007F"), False),  # loopback
        ("udp", ANY.replace("0A 0", "07 0"), False),
    ],
)
def test_who_listens_where_the_page_is_to_be_is_told(file: str, line: str, taken: bool) -> None:
    told = found(wanted(), {f"/proc/net/{file}": HEAD + line})
    assert [one.id for one in told] == ["port-of-pages-taken"] * taken
    assert found(Wanted(()), {f"/proc/net/{file}": HEAD + line}) == []
    ours = {f"/proc/net/{file}": HEAD + line, "/proc/77/cgroup": f"0::/system.slice/{gate.UNIT}\n"}
    assert found(wanted(), ours) == []


def test_a_program_that_services_cannot_read_is_told() -> None:
    for program, told in (
        ("/opt/netcharter/bin/python", False),
        ("/run/user/7/venv/bin/python", True),
        ("/home/rowan/venv/bin/python", True),
        ("/homes/venv/bin/python", False),
        ("/var/tmp/venv/bin/python", True),
        ("/home", True),
    ):
        ids = [one.id for one in preparing.reach_findings(wanted(), ("/usr/bin", program))]
        assert ids == ["program-out-of-reach"] * told
    assert not [*preparing.reach_findings(Wanted(()), ("/home",))]


def test_links_of_a_program_are_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment in /opt that was made with somebody's own Python runs with that."""
    monkeypatch.setattr("os.path.realpath", lambda path: path.replace("/opt/", "/home/"))
    [one] = preparing.reach_findings(wanted(), ("/usr/bin/python3", "/opt/venv/bin/python"))
    assert "/home/venv/bin/python" in one.message
    assert sys.executable in preparing.parts() and sys.base_prefix in preparing.parts()
    assert any("uvicorn" in part for part in preparing.parts())


def test_a_library_that_is_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    assert list(preparing.library_findings(wanted())) == []
    monkeypatch.setattr(preparing, "find_spec", lambda name: None if name == "uvicorn" else True)
    [one] = preparing.library_findings(wanted())
    assert (one.id, one.severity) == ("library-missing", "error") and "uvicorn is" in one.message
    assert list(preparing.library_findings(Wanted(()))) == []
