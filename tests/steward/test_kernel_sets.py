"""The timed sets of a real kernel, with the demo's kit loaded into a namespace."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from netcharter.render import render
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.running import CHARTER
from tests.kernel import namespace

pytestmark = pytest.mark.kernel
ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("part", ["exact", "process"])
def test_a_kernel_holds_what_the_hours_say(tmp_path: Path, part: str) -> None:
    """`tests/steward/inside.py` says what is looked at."""
    text = CHARTER.read_bytes().replace(b"until: 2027-03-31", b"until: 2199-12-31")
    kit = render(usable_plan(Source("charter.yaml", text)).plan)
    version = tmp_path / "versions" / "0001"
    (version / "kit").mkdir(parents=True)
    namespace.written(kit.files, version / "kit")
    (version / "charter.yaml").write_bytes(text)
    (tmp_path / "kept").symlink_to("versions/0001")
    (tmp_path / "steward.yaml").write_text("steward: 1\ntrust-clock: true\n")
    namespace.written({"nftables.nft": kit.files["nftables.nft"]}, tmp_path)
    namespace.run(
        f"load_ruleset\nexport PYTHONPATH={ROOT}\n{sys.executable} -m tests.steward.inside {part}\n",
        tmp_path,
    )
