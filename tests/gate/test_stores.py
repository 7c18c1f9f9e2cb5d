"""Names are found in stores as dnsdist finds them: in files that tinycdb writes, and in broken ones."""

from __future__ import annotations

import os
import subprocess
from functools import partial
from pathlib import Path
from random import Random

import pytest

from netcharter.gate.server import reading
from netcharter.gate.server.reading import opened
from netcharter.gate.stores import Piece, listed, value
from netcharter.lab.tools import path_of
from netcharter.plan.names.domains import wire
from netcharter.plan.names.lookup import compiled
from netcharter.plan.names.reading import read
from netcharter.render.cdb import STORES, laid_out
from tests.gate.site import cdb, made, piece, records

ZONE = b"""$ORIGIN zone.example.
bets.example CNAME .
*.bets.example CNAME .
ours.bets.example CNAME rpz-passthru.
*.ours.bets.example CNAME rpz-passthru.
deep.ours.bets.example CNAME .
*.deep.ours.bets.example CNAME .
only.example CNAME .
*.below.example CNAME .
"""
NAMES = [
    "bets.example", "a.bets.example", "ours.bets.example", "a.ours.bets.example",
    "deep.ours.bets.example", "a.deep.ours.bets.example", "only.example", "a.only.example",
    "below.example", "a.below.example", "b.a.below.example", "example", "none.example", "", "xbets.example",
]  # fmt: skip


def test_the_stores_say_what_the_list_says_line_by_line() -> None:
    entries = read([ZONE], "response-policy").entries
    lookup, stores = compiled({"dice": entries}), made(entries)
    for name in NAMES:
        wanted = lookup.first(name, among=("dice",)) if name else None
        found = listed("dice", name, stores.get)
        assert (found is None) == (wanted is None), name
        if found is not None and wanted is not None:
            assert (found.list, found.entry, found.below) == (
                wanted.list,
                wanted.entry,
                wanted.below,
            )
            assert (found.entry, found.line) in {(one.name, one.line) for one in entries}, name
    assert sum(listed("dice", name, stores.get) is not None for name in NAMES) == 7


@pytest.mark.kernel
def test_files_that_tinycdb_wrote_are_read(tmp_path: Path) -> None:
    """The second opinion about the format: `cdb` of Debian's tinycdb 0.78."""
    program = path_of("cdb")
    if program is None:
        pytest.skip("tinycdb is not here (tools/setup test)")
    names = [f"n{number}.example" for number in range(3_000)]
    layout = laid_out(read(["\n".join(names).encode()], "plain").entries)
    for store in STORES:
        command = [program, "-c", "-t", "-", str(tmp_path / f"{store}.cdb")]
        text = b"".join(layout.records(store))
        subprocess.run(command, input=text, check=True, timeout=60)
    with opened() as stores_of:
        inside = stores_of(str(tmp_path))
        for line, name in enumerate(names, 1):
            match = listed("x", f"www.{name}", inside)
            assert match is not None and (match.entry, match.line) == (name, line)
        assert listed("x", "n3000.example", inside) is None


def test_a_store_that_is_not_there_lists_nothing(tmp_path: Path) -> None:
    (tmp_path / "exact.cdb").symlink_to("/etc/hostname")
    with opened() as stores_of:
        assert listed("x", "bets.example", stores_of(str(tmp_path))) is None


def test_many_decisions_over_many_lists_leave_room_for_more_files(tmp_path: Path) -> None:
    """What the kernel tells of open files: proc(5)."""
    before = os.listdir("/proc/self/fd")
    for number in range(60):
        (tmp_path / f"{number}").mkdir()
        for store, data in stored("bets.example").items():
            (tmp_path / f"{number}" / f"{store}.cdb").write_bytes(data)
    with opened() as stores_of:
        for number in (*range(60), *range(60), *[7] * 50):
            match = listed("dice", "www.bets.example", stores_of(str(tmp_path / f"{number}")))
            assert match is not None and match.line == 1
        assert len(os.listdir("/proc/self/fd")) <= len(before) + reading.MOST_OPEN
    assert len(os.listdir("/proc/self/fd")) == len(before)


def stored(text: str) -> dict[str, bytes]:
    """What lies in each store of a list of that text."""
    layout = laid_out(read([text.encode()], "plain").entries)
    return {store: cdb(records(b"".join(layout.records(store)))) for store in STORES}


def test_broken_files_end_every_search() -> None:
    """Bytes by chance, cut short, with tables that lead in circles or beyond the end."""
    rng = Random(6)
    sound = cdb([(wire(name), b"%d" % line) for line, name in enumerate(NAMES[:9], 1)])
    assert value(piece(sound), wire("only.example")) == b"7"
    for turn in range(300):
        data = bytearray(sound if turn % 3 else rng.randbytes(4_000))
        for _ in range(rng.randrange(1, 40)):
            data[rng.randrange(len(data))] = rng.choice((0, 255, rng.randrange(256)))
        broken = bytes(data[: rng.randrange(len(data))] if turn % 5 == 0 else data)
        found = listed("x", "a.only.example", partial(_same, broken))
        assert found is None or found.line >= 0
    full = b"\xff\xff\xff\x7f" * 512 + sound[2048:]
    assert value(piece(full), wire("only.example")) is None
    circle = b"\x00\x08\x00\x00\xff\xff\xff\xff" * 256 + b"\x01\x00\x00\x00" * 100_000
    steps: list[int] = []

    def counted(place: int, size: int) -> bytes:
        steps.append(place)
        return circle[place : place + size]

    assert value(counted, b"x") is None
    assert len(steps) < 3_000


def _same(data: bytes, store: str) -> Piece:
    return piece(data)
