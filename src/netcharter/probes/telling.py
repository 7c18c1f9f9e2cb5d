"""A trial as a short sentence, with the names of the charter and real addresses."""

from __future__ import annotations

from netcharter.plan.coding import NOBODY
from netcharter.plan.shapes import Address
from netcharter.probes.shapes import GATEWAY
from netcharter.probes.stage import Stage
from netcharter.probes.trials import Trial
from netcharter.proofs.naming import Naming, listed

SHAPED = {
    "plain": "",
    "talk": ", in a conversation",
    "fragments": ", in pieces",
    "extension": ", behind an extension header",
    "source-routed": ", with a routing header of type 0",
    "no-start": ", with a packet that begins nothing",
    "no-question": ", with an answer to nothing",
}


class Teller:
    """Tells the trials of one stage."""

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.naming = Naming(stage.plan)

    def told(self, trial: Trial, station: str, source: Address, destination: Address) -> str:
        """Who asks whom for what, and what is unusual about it."""
        attempt, environment = trial.attempt, trial.environment
        who = "the gateway" if station == GATEWAY else station
        asked = self._named(attempt.destination, destination)
        service = self.naming.service_full(attempt.service)
        words = f"{who} ({source}) asks {asked} for {service}{SHAPED[trial.shape]}"
        return words + self._signed(trial) + self._down(environment.lines) + self._when(trial)

    def _named(self, code: int, address: Address) -> str:
        name = self.naming.address_name(code)
        return str(address) if name is None else f"{name} ({address})"

    def _signed(self, trial: Trial) -> str:
        who = trial.environment.who
        return "" if who == NOBODY else f", {self.naming.who_text(who)}"

    def _down(self, up: frozenset[str]) -> str:
        down = [line.name for line in self.stage.plan.lines if line.name not in up]
        if not down:
            return ""
        return f", while {listed(down)} {'is' if len(down) == 1 else 'are'} down"

    def _when(self, trial: Trial) -> str:
        if not self._timed:
            return ""
        return f", on {self.naming.instant_text(trial.environment.instant)}"

    @property
    def _timed(self) -> bool:
        return bool(self.stage.plan.hours) or any(
            rule.until for rule in self.stage.plan.charter.rules
        )
