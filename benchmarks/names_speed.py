"""Lists of names: how fast they are read, compiled, looked up, and put where dnsdist looks.

    python -m benchmarks.names_speed [NAMES]          a million unless said
    python -m benchmarks.names_speed dnsdist [NAMES]  with a real dnsdist, in a namespace of its own

Names are made by chance from a fixed seed. CPU time of this process, the best of three for look-ups;
beside each the same with a dict of Python, asked label by label, in the same run, since the machine does other things.
Each size runs in a process of its own, whose largest memory is told.

Targets on the machine of the project: a million names read and compiled in 10 s and 600 MB; 200 000
look-ups a second; made into files in 10 s; served within 150 MB; a swap under load with no silence of
50 ms.
"""

from __future__ import annotations

import itertools
import os
import random
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from time import process_time
from typing import cast

import dns.message

from netcharter.charter.read import read as charter_of
from netcharter.plan import make_plan
from netcharter.plan.listed import Listed
from netcharter.plan.names.deciding import Asker, Decider
from netcharter.plan.names.domains import suffixes
from netcharter.plan.names.entries import Entries, Entry
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.lookup import compiled
from netcharter.plan.names.reading import Form, over_wide, read
from netcharter.render.cdb import laid_out
from tests.kernel import answering
from tests.kernel.namespace import needed

ENDS = ("com", "net", "org", "example", "co.uk", "de")
ASKED = 200_000
FORMS: dict[Form, str] = {
    "plain": "{}\n",
    "hosts": "0.0.0.0 {}\n",
    "response-policy": "{} CNAME .\n",
}
SWAPS, PAUSE = 5, 3.0
NOTED = 0.002  # seconds: a shorter silence is none


def names(count: int, seed: int = 1) -> Iterator[str]:
    """Names of about 20 letters, a third of them with a label in front."""
    chance = random.Random(seed)
    for _ in range(count):
        front = chance.choice(("www.", "ads.", "", "", "", ""))
        yield f"{front}{chance.getrandbits(44):x}-{chance.getrandbits(8)}.{chance.choice(ENDS)}"


def lines(form: Form, count: int) -> Iterator[bytes]:
    pattern = FORMS[form]
    return (pattern.format(name).encode() for name in names(count))


def peak() -> str:
    return f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most"


def reading(form: Form, count: int) -> None:
    begin = process_time()
    made = sum(len(line) for line in lines(form, count))
    making = process_time() - begin
    begin = process_time()
    found = read(lines(form, count), form)
    spent = process_time() - begin - making
    print(f"{form:>16}  {count:,} lines of {made / 1e6:.0f} MB read in {spent:.2f} s, {peak()}")
    assert len(found.entries) == count


def looking_up(count: int) -> None:
    entries = read(lines("plain", count)).entries
    begin = process_time()
    lookup = compiled(
        {"large": entries, "small": Entries.of(list(names(1_000))), "none": Entries.of([])}
    )
    print(f"        compiled  in {process_time() - begin:.2f} s, {peak()}")
    chance = random.Random(2)
    listed = [entries.at(chance.randrange(count)).name for _ in range(ASKED)]
    plain = {entry.name: entry.line for entry in entries}

    def by_dict(name: str) -> int | None:
        return next((plain[above] for above in suffixes(name) if above in plain), None)

    for what, asked in (
        ("listed", listed),
        ("two labels below", [f"a.b.{name}" for name in listed]),
        ("not listed", [f"x{name}" for name in listed]),
    ):
        ours = min(_timed(lookup.find, asked) for _ in range(3))
        theirs = min(_timed(by_dict, asked) for _ in range(3))
        print(
            f"{what:>16}  {ASKED / ours:,.0f} look-ups a second; a dict, label by label:"
            f" {ASKED / theirs:,.0f}, ratio {theirs / ours:.2f}"
        )
    begin = process_time()
    wide = sum(1 for _ in over_wide(entries))
    print(f"       over-wide  {wide} found in {process_time() - begin:.2f} s")


def deciding(count: int) -> None:
    """Whole decisions: rules on names in order, local names, and a list in the middle."""
    text = (
        "charter: 1\nsite: {name: Hut, timezone: Europe/London, managed-from: desk}\n"
        "lines: {far: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}\n"
        "areas: {home: {device: eth1, prefix: 10.9.0.0/27}}\n"
        "devices: {desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}}\n"
        "lists: {large: {from: 'https://lists.example.org/a'}}\n"
        "names: [{answer: a.example, for: home}, {withhold: large, for: home},\n"
        "        {withhold: b.example, for: home}]\n"
    )
    charter = charter_of(text, "hut.yaml").charter
    assert charter is not None
    plan = make_plan(charter, lists={"large": Listed(b"".join(lines("plain", count)))}).names
    find, decider = Finder(plan), Decider(plan, Asker("home"), lambda *_: True)
    entries = plan.lists["large"].entries
    assert entries is not None and decider("x.example", "A", find).met.row.kind == "default"
    chance = random.Random(2)
    listed = [entries.at(chance.randrange(count)).name for _ in range(ASKED)]
    for what, asked in (
        ("listed", listed),
        ("two labels below", [f"a.b.{name}" for name in listed]),
        ("not listed", [f"x{name}" for name in listed]),
    ):
        spent = min(_timed(lambda name: decider(name, "A", find), asked) for _ in range(3))
        print(f"{what:>16}  {ASKED / spent:,.0f} whole decisions a second")


def _timed(look: object, asked: list[str]) -> float:
    assert callable(look)
    begin = process_time()
    for name in asked:
        look(name)
    return process_time() - begin


def making(count: int) -> None:
    entries = read(lines("plain", count)).entries
    begin = process_time()
    layout = laid_out(entries)
    laid = process_time() - begin
    size = sum(len(block) for block in layout.records("below"))
    print(
        f"         records  laid out in {laid:.2f} s, {size / 1e6:.0f} MB written in"
        f" {process_time() - begin - laid:.2f} s, {peak()}"
    )


# --- with dnsdist -------------------------------------------------------------------------------


def serving(count: int) -> None:
    """Builds, serves, asks, swaps; within the namespace."""
    cdb = answering.program("cdb") or "cdb"
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        entries = read(lines("plain", count)).entries
        begin, before = time.monotonic(), process_time()
        answering.build(entries, folder / "list", cdb)
        spent, own = time.monotonic() - begin, process_time() - before
        size = (folder / "list/below.cdb").stat().st_size
        print(
            f"       files made in {spent:.1f} s ({own:.1f} s of it our own), {size / 1e6:.0f} MB"
        )
        (folder / "dnsdist.conf").write_text(answering.settings([folder / "list"]), "ascii")
        with answering.serving(folder) as process:
            _memory(process.pid, "begun")
            asked = [entry.name for entry in _sample(entries)]
            load = Load(asked)
            load.run(4 * PAUSE)
            print(f"         answers  {load.told()}")
            _memory(process.pid, "asked")
            versions = [
                Entries.of([*names(count), f"only-in-{number}.test"]) for number in range(SWAPS)
            ]
            _swaps(folder, versions, cdb, load)
            _memory(process.pid, "swapped")


def _sample(entries: Entries) -> Iterator[Entry]:
    chance = random.Random(4)
    return (entries.at(chance.randrange(len(entries))) for _ in range(5_000))


def _memory(pid: int, when: str) -> None:
    said = Path(f"/proc/{pid}/status").read_text("ascii").splitlines()
    told = ", ".join(
        " ".join(line.split()) for line in said if line.startswith(("VmRSS", "VmHWM", "RssAnon"))
    )
    print(f"         dnsdist  {when}: {told}")


class Load:
    """Questions one after the other, each as soon as the one before is answered, half of them listed;
    and how long there was no answer at most."""

    def __init__(self, listed: list[str]) -> None:
        self._queries = [
            dns.message.make_query(name, "A").to_wire()
            for one in listed
            for name in (one, f"x{one}")
        ]
        self._answers, self._wrong, self._seconds = 0, 0, 0.0
        self._gaps: list[tuple[float, float]] = []  # when it ended, and how long it was

    def run(self, seconds: float) -> None:
        self._answers, self._wrong = 0, 0
        self._gaps.clear()
        begin = last = time.monotonic()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as client:
            client.connect(answering.FRONT)
            client.settimeout(5.0)
            for number, query in enumerate(itertools.cycle(self._queries)):
                client.send(query)
                code = client.recv(4_096)[3] & 15  # RFC 1035 section 4.1.1
                now = time.monotonic()
                if now - last > NOTED:
                    self._gaps.append((now, now - last))
                last = now
                self._answers += 1
                self._wrong += code != (0 if number % 2 else 3)
                if now - begin > seconds:
                    break
        self._seconds = now - begin

    def longest(self, begin: float = 0.0, end: float = float("inf")) -> str:
        """The longest silence that ended within a stretch of time."""
        return (
            f"{max((gap for at, gap in self._gaps if begin <= at <= end), default=0) * 1e3:.0f} ms"
        )

    def told(self) -> str:
        return (
            f"{self._answers / self._seconds:,.0f} a second, longest silence"
            f" {self.longest()}, {self._wrong} of {self._answers} wrong"
        )


def _swaps(folder: Path, versions: list[Entries], cdb: str, load: Load) -> None:
    """New versions moved into place while questions are asked. What both versions list is asked."""
    for number, entries in enumerate(versions):
        answering.build(entries, folder / "coming", cdb)
        for store in (folder / "coming").iterdir():
            os.utime(store, (time.time() + number, time.time() + number))
        asking = threading.Thread(target=load.run, args=(4 * PAUSE,))
        asking.start()
        time.sleep(PAUSE)
        begin = time.monotonic()
        for store in (folder / "coming").iterdir():
            store.rename(folder / "list" / store.name)
        while answering.ask(f"only-in-{number}.test", "A") != "NXDOMAIN":
            time.sleep(0.05)
            if time.monotonic() - begin > 4 * PAUSE:
                raise RuntimeError("the new version was not taken")
        taken = time.monotonic() - begin
        asking.join()
        ours = load.longest(begin, begin + taken + 0.2)
        print(f"            swap  taken after {taken:.1f} s, until then {ours}; {load.told()}")


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["within"]:
        serving(int(arguments[1]))
    elif arguments[:1] == ["dnsdist"]:
        count = arguments[1] if len(arguments) > 1 else "1000000"
        command = [*needed(), sys.executable, "-m", __spec__.name, "within", count]
        subprocess.run(command, check=True)
    elif len(arguments) == 2:
        size = int(arguments[1])
        parts = {"look-ups": looking_up, "decisions": deciding, "records": making}
        if arguments[0] in parts:
            parts[arguments[0]](size)
        else:
            reading(cast(Form, arguments[0]), size)
    else:
        count = arguments[0] if arguments else "1000000"
        for part in (*FORMS, "look-ups", "decisions", "records"):
            subprocess.run([sys.executable, "-m", __spec__.name, part, count], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
