"""Names of the MQTT topics. Everything of a site is below one level that carries its id."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Topics:
    """Topics of one site below `prefix`."""

    prefix: str
    site: str

    @property
    def status(self) -> str:
        """Retained: whether the gateway is there (birth and last will)."""
        return f"{self.prefix}/{self.site}/status"

    @property
    def findings(self) -> str:
        """Events: findings raised and cleared."""
        return f"{self.prefix}/{self.site}/events/findings"

    def loop(self, loop_id: str) -> str:
        """Retained: one loop."""
        return f"{self.prefix}/{self.site}/loops/{loop_id}"

    def transducer(self, transducer_id: str) -> str:
        """Retained: one transducer."""
        return f"{self.prefix}/{self.site}/transducers/{transducer_id}"

    def controller(self, controller_id: str) -> str:
        """Retained: how one controller answers."""
        return f"{self.prefix}/{self.site}/controllers/{controller_id}"
