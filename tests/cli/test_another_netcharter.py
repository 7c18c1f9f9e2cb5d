"""What is kept was made by another Netcharter, as after an upgrade: `holds` says so."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, HURRY, Gateway, gateway

pytestmark = pytest.mark.kernel


def older(place: Gateway, number: int, name: str, more: str) -> None:
    """Let the kit of a version be one of which a file begins otherwise, as whole as it was."""
    folder = place.folder / "state" / "versions" / f"{number:04}"
    file, manifest, told = (
        folder / "kit" / name,
        folder / "kit/manifest.json",
        folder / "version.json",
    )
    file.write_text(more + file.read_text())
    listed = json.loads(manifest.read_text())
    listed["files"][name]["sha256"] = hashlib.sha256(file.read_bytes()).hexdigest()
    manifest.write_text(json.dumps(listed))
    version = json.loads(told.read_text())
    version["digest"] = hashlib.sha256(manifest.read_bytes()).hexdigest()
    told.write_text(json.dumps(version))


def test_what_another_program_made_is_told_until_this_one_has_made_it_anew(tmp_path: Path) -> None:
    with gateway(tmp_path) as place:
        place.kept()
        assert place.run("holds").json()["notes"] == []
        older(place, 1, "nftables.nft", "add table inet netcharter_older\n")
        found = place.run("holds")
        assert found.code == 0, found.told
        (note,) = found.json()["notes"]
        assert "made by another Netcharter" in note and "1 file otherwise (nftables.nft)" in note
        assert "differ from the plan" not in note  # since it does not
        assert "made by another Netcharter" in place.run("holds", as_json=False).out
        place.write("good.yaml", CHARTER)
        assert place.run("enact", "good.yaml", *HURRY).code == 0
        assert place.run("keep").code == 0
        assert place.run("holds").json()["notes"] == []
