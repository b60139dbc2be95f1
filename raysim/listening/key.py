"""A sealed order: drawn from a seed nobody knows, promised beforehand, open to checking.

The seal is the hash of the seed, shown before the first trial; the seed is shown after
the last. Who has both can draw the order again and see that it was not changed in
between. The page draws by the same rule in its own language. The hash is SHA-256
(FIPS 180-4); "draw i" is the hash of the text "<seed>:<i>", byte by byte.
"""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

_T = TypeVar("_T")


def seal_of(seed: str) -> str:
    """Give what is shown of a seed before it is told.

    Examples
    --------
    >>> seal_of("00" * 16)[:8]
    'd98f5ef6'
    """
    return hashlib.sha256(f"seal:{seed}".encode()).hexdigest()


def is_seed(text: str) -> bool:
    """Tell if a text can be a seed: 32 hexadecimal digits in lower case."""
    return re.fullmatch("[0-9a-f]{32}", text) is not None


@dataclass(slots=True)
class Draws:
    """Even draws that follow from a seed alone."""

    seed: str
    n_block: int = 0
    waiting: list[int] = field(default_factory=list)

    def below(self, n: int) -> int:
        """Draw one of 0 to n - 1, n up to 256; bytes that would favour some are skipped."""
        fair = 256 - 256 % n
        while True:
            if not self.waiting:
                block = hashlib.sha256(f"{self.seed}:{self.n_block}".encode()).digest()
                self.waiting = list(block)
                self.n_block += 1
            byte = self.waiting.pop(0)
            if byte < fair:
                return byte % n

    def shuffled(self, things: Sequence[_T]) -> list[_T]:
        """Give the things in an order in which all orders are as likely."""
        order = list(things)
        for i in range(len(order) - 1, 0, -1):
            j = self.below(i + 1)
            order[i], order[j] = order[j], order[i]
        return order


@dataclass(frozen=True, slots=True)
class PairOrder:
    """What a sitting with two clips hides."""

    first: int  # which clip is called the first, 0 or 1
    strangers: tuple[int, ...]  # per trial: 0 the first, 1 the second


def pair_order(seed: str, n_trial: int) -> PairOrder:
    """Draw the order of a sitting with two clips."""
    draws = Draws(seed)
    return PairOrder(draws.below(2), tuple(draws.below(2) for _ in range(n_trial)))


def screen_orders(seed: str, n_clip: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """Draw the order of the clips on each screen of a sitting with many clips."""
    draws = Draws(seed)
    return tuple(tuple(draws.shuffled(range(n))) for n in n_clip)


def preference_order(seed: str, n_sound: int, n_layout: int) -> list[tuple[int, int, int]]:
    """Draw the order of comparisons: (sound, layout on the left, layout on the right).

    Every pair of layouts comes twice with each sound, once either way round.
    """
    every = [
        (sound, left, right)
        for sound in range(n_sound)
        for left in range(n_layout)
        for right in range(n_layout)
        if left != right
    ]
    return Draws(seed).shuffled(every)
