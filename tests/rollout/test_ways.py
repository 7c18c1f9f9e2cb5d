"""What the pure halves complain of becomes a refusal in words, never a traceback."""

from __future__ import annotations

import pytest

from netcharter.render import render
from netcharter.rollout.shapes import HostState, Table
from netcharter.rollout.trouble import RolloutRefused
from netcharter.rollout.ways import WAYS
from tests.rollout.scene import OLD, planned

BARE = HostState(0.0)
JUNK = {"manifest.json": b"{", "nftables.nft": b"\xff", "addresses.batch": b"address frob"}


def test_what_is_no_kit_is_refused() -> None:
    for ask in (
        lambda: WAYS.settings_of(JUNK),
        lambda: WAYS.wanted(JUNK, BARE, None, ()),
        lambda: WAYS.as_before(BARE, BARE, JUNK),
        lambda: WAYS.converge(BARE, BARE, 0.0, JUNK, JUNK),
    ):
        with pytest.raises(RolloutRefused, match="nothing was changed"):
            ask()


def test_a_state_that_can_not_be_written_safely_is_refused() -> None:
    hostile = HostState(0.0, tables=(Table("inet", "a; flush ruleset", "table x {\n}\n"),))
    with pytest.raises(RolloutRefused, match="nothing was changed"):
        WAYS.converge(BARE, hostile, 0.0, None, None)


def test_a_kit_leads_to_steps_and_its_filter_can_be_tried_before() -> None:
    files = render(planned(OLD)).files
    steps = WAYS.converge(BARE, WAYS.wanted(files, BARE, None, ()), 0.0, None, files)
    assert [run.argv for run in WAYS.rehearsal(steps)] == [("nft", "-c", "-f", "-")]
