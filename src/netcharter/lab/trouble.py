"""What can go wrong with a lab, apart from bugs."""

from __future__ import annotations


class LabImpossible(Exception):
    """There can be no lab on this machine. reason: why; remedy: what to do about it."""

    def __init__(self, reason: str, remedy: str) -> None:
        super().__init__(reason, remedy)
        self.reason = reason
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.reason}; {self.remedy}"


class LabFailed(Exception):
    """The work in the lab ended without an answer, or with a failure that cannot travel."""


class CommandFailed(Exception):
    """A command in the lab failed, or took too long. said: what it printed about it."""

    def __init__(self, command: str, said: str) -> None:
        super().__init__(command, said)
        self.command = command
        self.said = said

    def __str__(self) -> str:
        return f"{self.command}: {self.said}"
