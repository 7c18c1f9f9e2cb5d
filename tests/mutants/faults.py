"""The faults that the tests must notice: in the engine, in the plan and in the renderer."""

from __future__ import annotations

from tests.mutants.plant import Fault

FAULTS: tuple[Fault, ...] = ()
