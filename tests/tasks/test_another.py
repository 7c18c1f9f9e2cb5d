"""A kept kit that this program would make otherwise is told, and one that only reads otherwise is not."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

import pytest

from netcharter.render import render
from netcharter.tasks.enacting import another
from netcharter.tasks.units import PROGRAM
from tests.render.plans import small_plan

MANIFEST = "manifest.json"


@cache
def kit() -> Mapping[str, bytes]:
    return render(small_plan(), PROGRAM).files


def told(files: Mapping[str, bytes], differs: bool = True) -> list[str]:
    return list(another.of_another(small_plan(), files, differs))


def with_manifest(change: Callable[[dict[str, Any]], object]) -> dict[str, bytes]:
    said = json.loads(kit()[MANIFEST])
    change(said)
    return {**kit(), MANIFEST: json.dumps(said).encode()}


def test_one_of_this_program_is_told_by_nobody() -> None:
    assert told(kit()) == []


def test_nor_is_one_that_only_says_so_or_reads_otherwise() -> None:
    assert told(with_manifest(lambda said: said.update(netcharter="0.0.1", files={}))) == []
    remarked = b"# another remark\n  # and one\n" + kit()["nftables.nft"] + b"# a last one"
    assert told({**kit(), "nftables.nft": remarked}) == []


@pytest.mark.parametrize(
    "change",
    [
        lambda said: said["placed"].append({"file": "x", "at": "/etc/netcharter/x", "mode": "0600"}),
        lambda said: said["services"].append({"unit": "netcharter-x.service", "files": []}),
        lambda said: said["order"].reverse(),
        lambda said: said.pop("hours"),
    ],
)  # fmt: skip
def test_modes_services_and_order_count(change: Callable[[dict[str, Any]], object]) -> None:
    (sentence,) = told(with_manifest(change))
    assert "1 file otherwise (manifest.json)" in sentence


def test_that_it_may_differ_is_said_where_it_does() -> None:
    other = {**kit(), "nftables.nft": b"table inet netcharter_x\n" + kit()["nftables.nft"]}
    assert "So the gateway may differ" in told(other)[0]
    assert "gateway may differ" not in told(other, differs=False)[0]


def test_a_charter_of_which_no_kit_can_be_made_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> object:
        raise ValueError("a name that can't stand there\x1b[2J")

    monkeypatch.setattr(another, "render", fails)
    (sentence,) = told(kit())
    assert "can't make a kit of the same charter" in sentence
    assert "puts it on trial" not in sentence and "\x1b" not in sentence
