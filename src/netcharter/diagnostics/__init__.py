"""What there is to say to the person: spans, diagnostics, the catalogue, and their rendering."""

from netcharter.diagnostics.span import Diagnostic, Severity, Span

__all__ = ["Diagnostic", "Severity", "Span"]
