"""Philox 4x32 in plain integers, one round at a time, as its paper states it.

Salmon, Moraes, Dror and Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC'11.
"""

MULTIPLIERS = (0xD2511F53, 0xCD9E8D57)
#: Weyl sequence of the key: the golden ratio and the square root of three, less one.
KEY_STEPS = (0x9E3779B9, 0xBB67AE85)


def philox_words(counter, key, n_round=10):
    """Give four 32-bit words for a counter of four words and a key of two."""
    a, b, c, d = counter
    k0, k1 = key
    for _ in range(n_round):
        high_0, low_0 = divmod(MULTIPLIERS[0] * a, 1 << 32)
        high_1, low_1 = divmod(MULTIPLIERS[1] * c, 1 << 32)
        a, b, c, d = high_1 ^ b ^ k0, low_1, high_0 ^ d ^ k1, low_0
        k0 = (k0 + KEY_STEPS[0]) % (1 << 32)
        k1 = (k1 + KEY_STEPS[1]) % (1 << 32)
    return a, b, c, d
