"""Who else takes what comes for port 53, read as the kernel itself tells it."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path

import pytest

from netcharter.render import withholding
from netcharter.render.resolver import AT
from netcharter.rollout.prepare import facts_of, prepare
from netcharter.rollout.preparing.asking import LISTENING
from netcharter.rollout.preparing.shapes import Found, Wanted
from tests.kernel.namespace import run
from tests.rollout.machine import answers

WANTED = Wanted((), placed={AT: b"    interface: 127.0.0.1\n    interface: 10.40.0.1\n"})
# The same kit where dnsdist stands before unbound.
BEFORE = Wanted(
    (),
    placed={
        AT: b"    interface: 127.0.0.1@5333\n    interface: 127.0.0.1@5334\n",
        withholding.AT: b'addLocal("127.0.0.1:53")\naddLocal("10.40.0.1:53")\n'
        b'addLocal("\\091::1\\093:53")\n',
    },
)
# Sockets as they are bound, and what the kernel says of them then; the last one is connected.
SCRIPT = """
import json, socket, sys
from pathlib import Path
told = {}
for kind, address in json.loads(sys.argv[1]):
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM if kind == "tcp" else socket.SOCK_DGRAM) as one:
        if ":" in address:
            one.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        one.bind((address, 53))
        if kind == "tcp":
            one.listen()
        if kind == "connected":
            one.connect(("10.40.0.1", 5353))
        told[f"{kind} {address}"] = {p: Path(p).read_text() for p in json.loads(sys.argv[2])}
print(json.dumps(told))
"""
CASES = {
    "udp 0.0.0.0": True,
    "tcp 0.0.0.0": True,
    "udp ::": True,
    "tcp ::": True,
    "udp 127.0.0.1": True,
    "tcp 10.40.0.1": True,
    "udp 127.0.0.53": False,  # systemd-resolved(8) is there
    "udp 10.40.0.9": False,
    "connected 10.40.0.1": False,
}


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    folder: Path = tmp_path_factory.mktemp("listening")
    (folder / "script.py").write_text(SCRIPT)
    words = [json.dumps([case.split() for case in CASES]), json.dumps(LISTENING)]
    begin = "ip link set dev lo up; ip address add 10.40.0.1/32 dev lo; ip address add 10.40.0.9/32 dev lo\n"
    said = run(
        f"{begin}{shlex.quote(sys.executable)} script.py {' '.join(map(shlex.quote, words))}",
        folder,
    )
    found: dict[str, dict[str, str]] = json.loads(said)
    return found


def found(told: dict[str, str], want: Wanted = WANTED, **more: bytes) -> list[Found]:
    files = {path: text.encode() for path, text in told.items()} | {
        "/proc/7/cmdline": more.get("running", b"")
    }
    return [
        one
        for one in prepare(want, facts_of(answers(files=files))).findings
        if one.id == "port-of-names-taken"
    ]


@pytest.mark.kernel
@pytest.mark.parametrize(("case", "taken"), CASES.items())
def test_who_listens_where_the_resolver_is_to_answer_is_told(
    told: dict[str, dict[str, str]], case: str, taken: bool
) -> None:
    assert [one.about for one in found(told[case])] == [case.split()[1]] * taken
    assert all(one.severity == "error" for one in found(told[case]))
    assert [one.about for one in found(told[case], BEFORE)] == [case.split()[1]] * taken


@pytest.mark.kernel
def test_unbound_is_set_aside_or_ours_and_without_areas_nobody_minds(
    told: dict[str, dict[str, str]],
) -> None:
    there = told["udp 0.0.0.0"]
    assert not found(there, running=b"/usr/sbin/unbound\0-d\0-p\0")
    assert not found(there, BEFORE, running=b"/usr/bin/dnsdist\0--supervised\0")
    assert found(there, running=b"/usr/sbin/named\0-f\0")
    assert not found(there, Wanted(()))


def test_what_can_t_be_read_is_nothing() -> None:
    assert not found({path: "  sl  local_address\n  0: zz:0035 x\n \xff" for path in LISTENING})
