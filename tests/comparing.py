"""Readings of layouts made up for tests of comparing.

Import it from any test file: ``from comparing import flat, reading``.
"""

import numpy as np

from raysim.compare.figures import Quantity, Readings

OCTAVE = ("63", "125", "250", "500", "1k", "2k", "4k", "8k")


def reading(
    t30_s, layouts="abcdefgh", n_batch=32, noise=0.0, seed=1, hint=(), waves=(), rays_s=None
):
    """Give readings of T30 alone, (n_layout, 8) s, with independent noise as a share.

    Octaves in ``waves`` are hints without noise; ``rays_s`` (n_layout, 8) are theirs by rays.
    """
    t30_s = np.asarray(t30_s, dtype=float)
    rng = np.random.default_rng(seed)
    chance = noise * rng.standard_normal((len(t30_s), n_batch, 8))
    chance[:, :, [b in waves for b in OCTAVE]] = 0.0
    batches = t30_s[:, None] * (1.0 + chance)
    value = batches.mean(axis=1)
    without = (batches.sum(axis=1, keepdims=True) - batches) / (n_batch - 1)
    return Readings(
        tuple(layouts[: len(t30_s)]),
        tuple(
            Quantity("t30_s", b, "", "", is_hint=b in hint or b in waves, by_wave=b in waves)
            for b in OCTAVE
        ),
        value,
        tuple(without),
        (("voice", "microphone"),),
        value[:, None, :],
        None if rays_s is None else np.asarray(rays_s, dtype=float),
    )


def flat(*times):
    return np.repeat(np.array(times)[:, None], 8, axis=1)
