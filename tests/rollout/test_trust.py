"""Whose a state folder has to be, by real folders with real owners and modes (chmod(2), path_resolution(7)).

No source but the danger itself: what is in it is loaded into the kernel as root.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from netcharter.rollout.run.trust import demand_own
from netcharter.rollout.trouble import RolloutRefused
from netcharter.tasks.enacting.acts import work_at

SOMEBODY = 54321
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root gives files away")


@pytest.fixture
def state(tmp_path: Path) -> Path:
    found = tmp_path / "above" / "state"
    found.mkdir(parents=True, mode=0o750)
    (tmp_path / "above").chmod(0o755)
    return found


def refused(path: Path, says: str) -> None:
    with pytest.raises(RolloutRefused, match=f"{says}.*nothing was read or changed"):
        work_at(str(path), "keeper")


def test_a_folder_of_ones_own_is_used_whether_it_is_there_or_not(state: Path) -> None:
    demand_own(str(state))
    demand_own(str(state / "not" / "there"))
    demand_own("/var/lib/netcharter")


@pytest.mark.parametrize("mode", [0o777, 0o757, 0o1777, pytest.param(0o770, marks=as_root)])
def test_a_folder_that_others_may_write_is_refused(state: Path, mode: int) -> None:
    state.chmod(mode)
    refused(state, rf"the state folder {state} can be written by others.*chmod go-w {state}")


def test_and_so_is_one_in_a_folder_that_others_may_write(state: Path) -> None:
    state.parent.chmod(0o777)
    refused(state, rf"a folder above it, {state.parent} can be written by others")
    refused(state.parent / "not there", "a folder above it")
    state.parent.chmod(0o1777)  # as /tmp is: nobody moves what is not theirs
    demand_own(str(state))


@as_root
def test_a_folder_of_somebody_else_is_refused(state: Path) -> None:
    os.chown(state, SOMEBODY, -1)
    refused(state, rf"the state folder {state} belongs to user {SOMEBODY}: whoever may write there")
    os.chown(state, 0, -1)
    os.chown(state.parent, SOMEBODY, -1)
    refused(state, rf"a folder above it, {state.parent} belongs to user {SOMEBODY}")


def test_a_link_is_judged_by_where_it_stands_and_where_it_leads(state: Path) -> None:
    loose = state.parent.parent / "loose"
    loose.mkdir()
    link = loose / "link"
    link.symlink_to(state)
    demand_own(str(link))
    loose.chmod(0o777)
    refused(link, f"a folder above it, {loose}")
    loose.chmod(0o755)
    state.parent.chmod(0o777)
    refused(link, f"a folder above it, {state.parent}")
