"""Programs that serve for a while at a machine of a lab: begun, looked after, and ended."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from netcharter.lab import isolation, tools
from netcharter.lab.trouble import CommandFailed

ENDING = 5.0  # seconds for a program to end by itself


@contextmanager
def running(
    namespace: str, command: Sequence[str], name: str, heard: str
) -> Iterator[Callable[[], None]]:
    """A program in a namespace, for as long as the block. heard: the file of what it says. Yields what
    raises CommandFailed, by its name and last words, once it has ended by itself."""
    with isolation.inside(namespace), open(heard, "w+b") as said:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=said, stderr=said, cwd="/"
        )

        def still_there() -> None:
            if process.poll() is not None:
                said.seek(0)
                words = said.read().decode("utf-8", "replace")[-tools.SAID :].strip()
                raise CommandFailed(name, words or f"exit {process.returncode}")

        try:
            yield still_there
        finally:
            ended(process, ENDING)


def ended(process: subprocess.Popen[bytes], seconds: float) -> None:
    """End a program, by force where it takes longer."""
    process.terminate()
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(seconds)
