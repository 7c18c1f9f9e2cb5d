"""What can go wrong with a roll-out, apart from bugs. All of it is said in words for the keeper."""

from __future__ import annotations


class RolloutRefused(Exception):
    """It is not done, and nothing has been changed. reason: why; remedy: what to do about it."""

    def __init__(self, reason: str, remedy: str) -> None:
        super().__init__(reason, remedy)
        self.reason = reason
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.reason}; {self.remedy}"


class StateBroken(RolloutRefused):
    """A file of the state folder is not what it should be. place: its path in that folder."""

    def __init__(self, place: str, problem: str) -> None:
        super().__init__(
            f"{place} in the state folder can't be used: {problem}",
            "put it back from a copy; nothing was changed",
        )
        self.place = place


class EffectFailed(Exception):
    """Something could not be done to the host. what: which effect; said: the complaint."""

    def __init__(self, what: str, said: str) -> None:
        super().__init__(what, said)
        self.what = what
        self.said = said

    def __str__(self) -> str:
        return f"{self.what}: {self.said}"
