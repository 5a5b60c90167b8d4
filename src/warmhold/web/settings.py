"""What a server is started with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from warmhold.exchange.addresses import is_loopback

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8720


@dataclass(frozen=True)
class Settings:
    """How one server runs.

    folder : where the record, own units and policies, and the passcodes lie
    host, port : where it listens
    members : simulated trips behind a plan
    seed : of every draw
    watch_members : simulated trips carried along on the road
    rehearse : name of a shipped trip to rehearse, or empty
    speed : how many times faster than real time a rehearsal runs
    https : the page is reached over https (behind a proxy that does so)
    """

    folder: Path
    host: str = DEFAULT_HOST
    port: int = DEFAULT_PORT
    members: int = 1000
    seed: int = 20260101
    watch_members: int = 400
    rehearse: str = ""
    speed: float = 60.0
    https: bool = False

    @property
    def loopback(self) -> bool:
        """Whether only this computer can reach the page."""
        return is_loopback(self.host)
