"""What a walk could not understand, told once per thing."""

from __future__ import annotations

from netcharter.diagnostics import Diagnostic, Severity, Span

MOST_NOTES = 200


class Notes:
    """Diagnostics with a limit; the same words are told once."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, str], Diagnostic] = {}

    def tell(
        self, id: str, severity: Severity, message: str, span: Span, help: str | None = None
    ) -> None:
        if (id, message) not in self._told and len(self._told) < MOST_NOTES:
            self._told[id, message] = Diagnostic(id, severity, message, span, help=help)

    def outside(self, words: str, span: Span) -> None:
        """Something that a first packet alone does not settle."""
        message = f"a first packet alone does not settle this, so both are possible: {words[:200]}"
        self.tell("listing-outside-packet", "note", message, span)

    def all(self) -> tuple[Diagnostic, ...]:
        return tuple(self._told.values())
