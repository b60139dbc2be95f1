"""Sound at another sample rate, piece by piece, without a seam and without delay.

A linear-phase filter of a Kaiser-windowed sinc, polyphase by `scipy.signal.upfirdn`; what
it keeps is flat to 0.01 dB up to 0.9 of the lower rate's half, and what it must not let
through is 80 dB down from 1.1 of it on. Common practice, no source.
"""

import itertools
from collections.abc import Iterable, Iterator
from math import gcd
from typing import Final

import numpy as np
from scipy import signal

from raysim.listening.convolve import in_blocks
from raysim.units import Float

#: Zero crossings of the filter to each side, at the lower rate, and its window.
_HALF: Final = 32
_KAISER_BETA: Final = 8.0
_N_BLOCK: Final = 16_384


def n_resampled(n_sample: int, from_hz: int, to_hz: int) -> int:
    """Give how many samples `resampled` makes of so many."""
    return -(-n_sample * to_hz // from_hz)


def resampled(pieces: Iterable[Float], from_hz: int, to_hz: int) -> Iterator[Float]:
    """Bring sound to another rate; sample 0 stays sample 0.

    Parameters
    ----------
    pieces : iterable of (n,) float64
        In pieces of any length.
    from_hz, to_hz : int

    Yields
    ------
    (n,) float64
        `n_resampled` samples in all.
    """
    if from_hz == to_hz:
        yield from pieces
        return
    common = gcd(from_hz, to_hz)
    up, down = to_hz // common, from_hz // common
    taps = _filter(up, down)
    reach = -(-(taps.size // 2) // up)  # neighbours that an output sample looks at
    sound = np.zeros(reach)  # silence before it, then what later output still needs
    first = -reach  # number of its first sample
    n_sound = n_given = 0
    for block in itertools.chain(in_blocks(pieces, _N_BLOCK), [None]):
        n_sound += 0 if block is None else block.size
        sound = np.concatenate([sound, np.zeros(reach) if block is None else block])
        end = n_resampled(n_sound if block is None else n_sound - reach, from_hz, to_hz)
        if end <= n_given:
            continue
        yield _between(sound, first, taps, (up, down), (n_given, end))
        n_given = end
        drop = max(0, n_given * down // up - reach - first)
        sound, first = sound[drop:], first + drop


def _between(
    sound: Float, first: int, taps: Float, ratio: tuple[int, int], span: tuple[int, int]
) -> Float:
    """Give output samples of a span, from sound that begins with sample ``first``."""
    up, down = ratio
    # Output m stands at m * down on the fine grid; zeros before the taps bring the grid
    # of this piece, which begins at first * up, onto it.
    offset = taps.size // 2 - first * up
    zeros = -offset % down
    fine = signal.upfirdn(np.concatenate([np.zeros(zeros), taps]), sound, up, down)
    begin = (offset + zeros) // down
    return np.asarray(fine[begin + span[0] : begin + span[1]])


def _filter(up: int, down: int) -> Float:
    """Give the low pass at ``up`` times the old rate; its middle is its middle sample."""
    wide = max(up, down)
    x = np.arange(-_HALF * wide, _HALF * wide + 1) / wide
    taps = np.sinc(x) * np.kaiser(x.size, _KAISER_BETA)
    return np.asarray(taps * (up / taps.sum()))
