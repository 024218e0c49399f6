"""Names of the MQTT topics. Everything of a site is below one level that carries its id."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Topics:
    """Topics of one site below `prefix`."""

    prefix: str
    site: str

    @property
    def root(self) -> str:
        """What every topic of the site begins with."""
        return f"{self.prefix}/{self.site}"

    @property
    def status(self) -> str:
        """Retained: whether the gateway is there (birth and last will)."""
        return f"{self.root}/status"

    @property
    def findings(self) -> str:
        """Events: findings raised and cleared."""
        return f"{self.root}/events/findings"

    @property
    def alarms(self) -> str:
        """Events: every transition of an alarm."""
        return f"{self.root}/events/alarms"

    @property
    def acknowledge(self) -> str:
        """Requests to acknowledge an alarm; taken only when the settings say so."""
        return f"{self.root}/commands/acknowledge"

    @property
    def answers(self) -> str:
        """Where answers may go below the site's own topics; see `may_answer`."""
        return f"{self.root}/answers"

    def loop(self, loop_id: str) -> str:
        """Retained: one loop."""
        return f"{self.root}/loops/{loop_id}"

    def transducer(self, transducer_id: str) -> str:
        """Retained: one transducer."""
        return f"{self.root}/transducers/{transducer_id}"

    def controller(self, controller_id: str) -> str:
        """Retained: how one controller answers."""
        return f"{self.root}/controllers/{controller_id}"

    def alarm(self, alarm_id: str) -> str:
        """Retained: one alarm, by its id "fault:subject"."""
        fault, _, subject = alarm_id.partition(":")
        return f"{self.root}/alarms/{fault}/{subject}"

    @property
    def retained(self) -> tuple[str, ...]:
        """Wildcards for everything retained that comes and goes with the site file."""
        return (self.loop("+"), self.transducer("+"), self.controller("+"), self.alarm("+:+"))

    def subject(self, topic: str) -> tuple[str, str] | None:
        """What a retained topic is about: (loops, transducers, controllers or alarms; its id).

        None for a topic that is none of `retained`.
        """
        levels = topic.removeprefix(f"{self.root}/").split("/")
        match levels:
            case ["loops" | "transducers" | "controllers" as group, subject]:
                return group, subject
            case ["alarms", fault, subject]:
                return "alarms", f"{fault}:{subject}"
            case _:
                return None

    def may_answer(self, topic: str) -> bool:
        """Whether somebody who asks may have the answer at this topic.

        Not where it would pass for something else that the gateway says.
        """
        own = topic == self.root or topic.startswith(f"{self.root}/")
        odd = not topic or topic.startswith("$") or any(c in topic for c in "+#\0")
        return not odd and (not own or topic.startswith(f"{self.answers}/"))
