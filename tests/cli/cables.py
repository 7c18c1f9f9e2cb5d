"""Somebody at the sockets of a test's namespace: `python cables.py PLAN.json PID COMMAND...`.

PLAN is {expected words: deed}: when the command says them, the far end of a cable is switched
(`down peer2`, in the namespace of process PID), or Enter is pressed (`enter`), or something is
typed (`type y`). What the command says and prints goes to said.txt and out.json.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

LIMIT = 60


def deeds(plan: dict[str, str], there: str, process: subprocess.Popen[str]) -> list[str]:
    said = []
    assert process.stderr and process.stdin
    for line in process.stderr:
        said.append(line)
        for words in [words for words in plan if words in line]:
            verb, _, rest = plan.pop(words).partition(" ")
            if verb in ("up", "down"):
                subprocess.run(
                    ["nsenter", "-t", there, "-n", "ip", "link", "set", "dev", rest, verb],
                    check=True, timeout=LIMIT,
                )  # fmt: skip
            else:
                process.stdin.write(f"{rest}\n")
                process.stdin.flush()
    return said


def main(plan: str, there: str, *command: str) -> int:
    with (
        open("out.json", "w", encoding="utf-8") as out,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=out, stderr=subprocess.PIPE, text=True
        ) as process,
    ):
        said = deeds(json.loads(Path(plan).read_text("utf-8")), there, process)
        assert process.stdin
        process.stdin.close()
        code = process.wait(LIMIT)
    Path("said.txt").write_text("".join(said), "utf-8")
    return code


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
