"""Random numbers as a function of (seed, batch, ray, bounce): any ray replays alone.

Philox 4x32 with ten rounds: Salmon, Moraes, Dror and Shaw, "Parallel random numbers:
as easy as 1, 2, 3", SC'11. One call gives the four draws of a bounce, so no draw
depends on how rays are spread over threads. Theory: DEVELOPERS.md, R1.
"""

from numba import uint32, uint64

from raysim.core.compile import inner_kernel

_M0 = 0xD2511F53
_M1 = 0xCD9E8D57
_W0 = 0x9E3779B9
_W1 = 0xBB67AE85
_LOW = 0xFFFFFFFF


@inner_kernel
def philox(c0, c1, c2, c3, k0, k1):
    """Give four 32-bit words for a 4-word counter and a 2-word key  (R1)."""
    c0, c1, c2, c3 = uint64(c0), uint64(c1), uint64(c2), uint64(c3)
    k0, k1 = uint64(k0), uint64(k1)
    low = uint64(_LOW)
    for _ in range(10):
        p0 = uint64(_M0) * c0
        p1 = uint64(_M1) * c2
        c0, c1, c2, c3 = (
            (p1 >> uint64(32)) ^ c1 ^ k0,
            p1 & low,
            (p0 >> uint64(32)) ^ c3 ^ k1,
            p0 & low,
        )
        k0 = (k0 + uint64(_W0)) & low
        k1 = (k1 + uint64(_W1)) & low
    return uint32(c0), uint32(c1), uint32(c2), uint32(c3)


@inner_kernel
def unit(word):
    """Map a 32-bit word to the middle of its cell of [0, 1): never 0, never 1."""
    return (float(word) + 0.5) * 2.3283064365386963e-10


@inner_kernel
def draws(seed, i_batch, i_ray, i_bounce):
    """Give the four uniform numbers of one bounce of one ray  (R1).

    Bounce 0 is emission. The seed's 64 bits are the key; batch, ray and bounce are
    the counter.
    """
    seed = uint64(seed)
    a, b, c, d = philox(
        uint64(i_ray) & uint64(_LOW),
        uint64(i_ray) >> uint64(32),
        uint64(i_bounce),
        uint64(i_batch),
        seed & uint64(_LOW),
        seed >> uint64(32),
    )
    return unit(a), unit(b), unit(c), unit(d)
