"""Sound through responses, piece by piece: partitioned convolution in bounded memory.

A response is cut into partitions of one block; their spectra are kept, and each block of
sound meets all of them in turn as it grows older (overlap-save). Memory goes with the
response's length, not with the sound's. Common practice, no source.
"""

from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np
from scipy import fft

from raysim.absorbers.media import Complex
from raysim.units import Float

#: Samples of sound worked on at once.
N_BLOCK: Final = 16_384


def convolved(
    pieces: Iterable[Float], responses: Float, n_block: int = N_BLOCK
) -> Iterator[Float]:
    """Play one sound through one response per channel.

    Parameters
    ----------
    pieces : iterable of (n,) float64
        The sound, in pieces of any length.
    responses : (n_channel, n_tap) float64
    n_block : int
        Changes speed and rounding only.

    Yields
    ------
    (n_channel, n) float64
        In order; n_sound + n_tap - 1 samples in all, the first at the sound's first.
    """
    partitions = _partitions(responses, n_block)
    past = np.zeros((partitions.shape[0], n_block + 1), dtype=np.complex128)
    before = np.zeros(n_block)

    def through(block: Float) -> Float:
        nonlocal past, before
        past = np.roll(past, 1, axis=0)
        past[0] = fft.rfft(np.concatenate([before, block]))
        before = block
        spectrum = np.einsum("pf,pcf->cf", past, partitions)
        return np.asarray(fft.irfft(spectrum, 2 * n_block, axis=1)[:, n_block:])

    n_given = n_sound = 0
    last = np.zeros(n_block)
    for block in in_blocks(pieces, n_block):
        n_sound += block.size
        if block.size < n_block:
            last[: block.size] = block
            break
        yield through(block)
        n_given += n_block
    end = n_sound + responses.shape[1] - 1
    while n_given < end:
        yield through(last)[:, : end - n_given]
        n_given += n_block
        last = np.zeros(n_block)


def in_blocks(pieces: Iterable[Float], n_block: int) -> Iterator[Float]:
    """Give the same samples in blocks of one length, but the last, which is shorter."""
    waiting: list[Float] = []
    n_waiting = 0
    for piece in pieces:
        waiting.append(piece)
        n_waiting += piece.size
        if n_waiting < n_block:
            continue
        joined = np.concatenate(waiting)
        n_whole = joined.size // n_block * n_block
        yield from joined[:n_whole].reshape(-1, n_block)
        waiting, n_waiting = [joined[n_whole:]], joined.size - n_whole
    if n_waiting:
        yield np.concatenate(waiting)


def _partitions(responses: Float, n_block: int) -> Complex:
    """Give the spectra of the partitions, (n_partition, n_channel, n_block + 1)."""
    n_channel, n_tap = responses.shape
    n_partition = -(-n_tap // n_block)
    padded = np.zeros((n_channel, n_partition * n_block))
    padded[:, :n_tap] = responses
    cut = padded.reshape(n_channel, n_partition, n_block).transpose(1, 0, 2)
    return np.asarray(fft.rfft(cut, 2 * n_block, axis=2), dtype=np.complex128)
