"""The checks that a keeper may waive; quick to load, as the help of commands is to be."""

from __future__ import annotations

CHECKS = ("promises", "management", "rehearsal")  # in the order in which they are told
