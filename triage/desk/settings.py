"""Settings of the desk: where it is served, by which names browsers may call it, where recordings lie.

On the loopback address whoever sits at the machine picks a name. Beyond it (another address, or a name
that another machine would use, as behind a proxy) accounts are needed, and only the names given here are answered.
"""

import ipaddress
from dataclasses import dataclass
from pathlib import Path

from triage.domain.errors import ConfigError

PORT = 8451
LEASE_S = 90.0
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "::1")
EVERYWHERE = ("0.0.0.0", "::", "")


@dataclass(frozen=True)
class DeskSettings:
    """All settings of `triage desk`."""

    store: str
    host: str = "127.0.0.1"
    port: int = PORT
    names: tuple[str, ...] = ()  # host names that browsers use, beside the address itself
    https: bool = False  # it reaches browsers by https: served so, or by a proxy in front
    recordings: tuple[Path, ...] = ()  # folders that hold session folders here, where the store says otherwise
    login_h: float = 14.0  # a long day; after that one signs in again
    lease_s: float = LEASE_S  # a take on a screen is that person's for so long after their page was last heard of
    idle_s: float = 300.0  # without a key, after which a page gives its takes back
    poll_s: float = 0.5  # how often the store is asked whether something changed, while somebody watches

    @property
    def beyond_loopback(self) -> bool:
        """Whether another machine can be meant to reach this desk."""
        return any(not is_loopback(name) for name in (self.host, *self.names))

    @property
    def hosts(self) -> frozenset[str]:
        """Return what a request may name as its host, without the port."""
        own = () if self.host in EVERYWHERE else (self.host,)
        near = LOOPBACK_NAMES if is_loopback(self.host) or self.host in EVERYWHERE else ()
        return frozenset(name.casefold().strip("[]") for name in (*own, *near, *self.names))

    @property
    def scheme(self) -> str:
        """Return what addresses of this desk begin with."""
        return "https" if self.https else "http"

    @property
    def address(self) -> str:
        """Return what to type into a browser."""
        name = self.names[0] if self.names else self.host
        return f"{self.scheme}://{f'[{name}]' if ':' in name else name}:{self.port}/"

    def check(self, accounts: int) -> None:
        """Refuse settings that would let anybody in; ``accounts`` is how many people have a password."""
        if self.beyond_loopback and not accounts:
            raise ConfigError(
                f"served on {self.host or 'every address'} the desk is open to others, and nobody has an account; "
                "`triage people NAME --role editor` makes one, --host 127.0.0.1 needs none"
            )
        if self.host in EVERYWHERE and not self.names:
            raise ConfigError(
                f"served on {self.host or 'every address'} the desk must know what browsers call it; "
                "name this machine with --name desk.example"
            )


def is_loopback(name: str) -> bool:
    """Tell whether a host name or address can only mean this machine."""
    try:
        return ipaddress.ip_address(name.strip("[]")).is_loopback
    except ValueError:
        return name.casefold() == "localhost"
