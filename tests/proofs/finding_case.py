"""A charter that shows a finding, and one much like it that does not."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Case:
    """A charter that shows a finding where it is marked, and one like it that does not."""

    title: str
    id: str
    severity: str
    shows: dict[str, str]
    spares: dict[str, str]
    says: tuple[str, ...]  # parts of the message
    witness: tuple[str, ...] = ()  # parts of the witness; none: there must be no witness
    see: tuple[tuple[int, str], ...] = ()  # line and words of the related places
    other: dict[str, str] = field(default_factory=dict)  # sections that both charters have


def rules(*lines: str) -> dict[str, str]:
    return {"rules": "\n" + "".join(f"  - {{{line}, because: b}}\n" for line in lines)}
