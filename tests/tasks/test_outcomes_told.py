"""What an act of a roll-out says for people."""

from __future__ import annotations

import pytest

from netcharter.rollout.work import Undone
from netcharter.tasks.enacting.telling import undone_lines

COMMAND = "/usr/sbin/sender --keep-in-foreground --log-facility=- --conf-file=/etc/far/" + "x" * 90


@pytest.mark.parametrize("width", range(40, 140))
def test_words_of_a_command_are_never_broken(width: int) -> None:
    """So that who copies it runs what was said."""
    (_, _, *lines) = undone_lines(Undone(1, "asked for", notes=(f"begin it: {COMMAND}",)), width)
    assert lines[0].startswith("  - begin it:")
    assert " ".join(lines).split()[3:] == COMMAND.split()
