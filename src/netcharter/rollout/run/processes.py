"""What the kernel tells of a process."""

from __future__ import annotations


def fields_of(pid: int) -> list[str]:
    """The fields of `stat` after the name, the state of the process first; none where there is no
    such process (proc_pid_stat(5))."""
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
            return file.read().rpartition(")")[2].split()  # a name may hold anything
    except OSError:
        return []
