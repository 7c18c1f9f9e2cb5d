"""The state folder has one place, which the command line writes out for the sake of a quick help."""

from __future__ import annotations

from netcharter.cli.rolling import STATE
from netcharter.rollout import store


def test_the_state_folder_of_the_commands_is_that_of_the_roll_out() -> None:
    assert STATE == store.STATE
