"""`make demo` tells the story it promises, in a folder with a blank in its name."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

STORY = (
    "netcharter check examples/tarn-hollow/first-draft.yaml",
    "BROKEN  never: bunkrooms, reach: tills",
    "netcharter why examples/tarn-hollow/first-draft.yaml --from bunkrooms --to tills",
    "netcharter check examples/tarn-hollow/charter.yaml",
    ", 0 broken; 0 errors, ",
    "netcharter compare examples/tarn-hollow/first-draft.yaml examples/tarn-hollow/charter.yaml",
    "closed: ",
    "netcharter render examples/tarn-hollow/charter.yaml -o out/kit",
    "nftables.nft",
    "In the first draft:",
    "let by rule 4: arrived at tills/visitor-1",
    "After the mend:",
    "refused by default: reset",
    "And everything else?",
    "That is the story.",
)


@pytest.mark.kernel
def test_the_demo_plays_the_story(repository: Path, tmp_path: Path) -> None:
    copy = tmp_path / "a folder"
    for name in ("tools", "examples"):
        shutil.copytree(repository / name, copy / name)
    here = str(Path(sys.executable).parent)
    played = subprocess.run(
        ["tools/demo"],
        cwd=copy,
        env={**os.environ, "PATH": os.pathsep.join([here, os.environ["PATH"]])},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=300,
        check=False,
    )
    assert played.returncode == 0, played.stdout
    rest = played.stdout
    for part in STORY:
        assert part in rest, f"{part!r} does not come, or not in its place\n{played.stdout}"
        rest = rest.partition(part)[2]
    assert ": 2 agreed, 0 did not." in played.stdout
    assert played.stdout.count("proven   what the kernel has loaded") == 3
    for told in ("named    hosts in 7 areas", "found    hosts in 7 areas", "lent     "):
        assert told in played.stdout, played.stdout
    assert (copy / "out" / "kit" / "manifest.json").is_file()
