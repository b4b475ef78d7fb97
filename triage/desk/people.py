"""People who sign in: what each role may do, passwords, and how often one may be guessed.

Hashes are argon2id with the library's current costs (RFC 9106, low-memory profile); a name that nobody has takes as
long to refuse as a wrong password.
"""

import threading
import time
from collections import deque

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from triage.domain.errors import ConfigError

RIGHTS: dict[str, frozenset[str]] = {
    "editor": frozenset({"hear", "verdict"}),
    "producer": frozenset({"hear", "verdict", "retrain", "choose"}),
    "engineer": frozenset({"hear", "mark-noise"}),
    "lead": frozenset({"hear", "verdict", "choose"}),
}
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200
WINDOW_S = 300.0
MOST_TRIES = {"address and name": 5, "name": 30, "address": 20}  # wrong passwords within the window
MOST_KEYS = 10_000
AT_ONCE = 2  # hashes computed side by side: each takes 64 MiB

_HASHER = PasswordHasher()
_TURNS = threading.Semaphore(AT_ONCE)
_NOBODY = _HASHER.hash("nobody has this password, its hash only takes time")


def hash_password(password: str) -> str:
    """Return a password's hash; one that is too short or too long is an error."""
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise ConfigError(
            f"the password has {len(password)} characters; {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} are wanted"
        )
    with _TURNS:
        return _HASHER.hash(password)


def is_password(hashed: str | None, password: str) -> bool:
    """Tell whether a password is the one that was hashed; None is the hash of nobody."""
    with _TURNS:
        try:
            right = _HASHER.verify(hashed or _NOBODY, password[: LONGEST_PASSWORD + 1])
        except (VerificationError, InvalidHashError):
            return False
    return right and hashed is not None


def is_outdated(hashed: str) -> bool:
    """Tell whether a hash was made with costs below today's."""
    return _HASHER.check_needs_rehash(hashed)


class Throttle:
    """Counts wrong passwords by address and by name; lives as long as the desk runs."""

    def __init__(self) -> None:
        self._tries: dict[tuple[str, ...], deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, address: str, name: str) -> float:
        """Return for how long nobody may try this name from this address, 0 if at once."""
        now = time.monotonic()
        with self._lock:
            waits = [self._wait(key, most, now) for key, most in self._keys(address, name)]
        return max(waits)

    def failed(self, address: str, name: str) -> None:
        """Count a wrong password."""
        now = time.monotonic()
        with self._lock:
            if len(self._tries) > MOST_KEYS:
                self._tries = {key: t for key, t in self._tries.items() if t and now - t[-1] < WINDOW_S}
            for key, most in self._keys(address, name):
                self._tries.setdefault(key, deque(maxlen=most)).append(now)

    def succeeded(self, address: str, name: str) -> None:
        """Forget the wrong passwords before the right one; those of other names from there still count."""
        with self._lock:
            self._tries.pop(self._keys(address, name)[0][0], None)

    def _keys(self, address: str, name: str) -> list[tuple[tuple[str, ...], int]]:
        folded = name.casefold()
        keys = {"address and name": (address, folded), "name": ("", folded), "address": (address,)}
        return [(keys[what], most) for what, most in MOST_TRIES.items()]

    def _wait(self, key: tuple[str, ...], most: int, now: float) -> float:
        tries = self._tries.get(key)
        if tries is None or len(tries) < most:
            return 0.0
        return max(0.0, tries[0] + WINDOW_S - now)
