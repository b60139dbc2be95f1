"""Resonances of a box whose six walls react locally: frequency and decay, by Newton's method.

Each wall has one admittance (times rho c), so the sound field is a product of three
cosines and the wave equation separates. With q the square of the wavenumber along a side
of length L between walls b0 and b1, k0 = w/c and time e^(jwt), a wall says that the
pressure's outward derivative is -j k0 b p, hence

    (q + k0^2 b0 b1) sin(sqrt(q) L)/sqrt(q) = j k0 (b0 + b1) cos(sqrt(q) L),

and qx + qy + qz = k0^2 (standard, e.g. Morse and Ingard, Theoretical Acoustics; from
memory). Both sides are whole functions of q: no branch has to be chosen.
"""

import cmath
import math

import numpy as np

#: Steps from rigid walls to the walls asked for, on which Newton's method follows a mode.
N_STEP = 12


def resonance(orders, sides_m, admittance, speed_m_s):
    """Give frequency in Hz and decay rate in 1/s of the mode that grows out of a rigid one.

    ``orders`` (3,) are the half waves along each side; ``admittance`` is six functions of
    jw, for the walls x=0, x=Lx, y=0 and so on. Pressure decays as exp(-rate t).
    """
    q = [(math.pi * n / side) ** 2 for n, side in zip(orders, sides_m, strict=True)]
    unknown = np.array([*q, speed_m_s * math.sqrt(sum(q))], dtype=complex)
    for share in np.linspace(0.0, 1.0, N_STEP + 1)[1:]:
        unknown = _newton(unknown, share, sides_m, admittance, speed_m_s)
    return unknown[3].real / (2.0 * math.pi), unknown[3].imag


def t60_s(rate_per_s):
    """Give the time of 60 dB of a decay rate of pressure."""
    return 3.0 * math.log(10.0) / rate_per_s


def _missed(unknown, share, sides_m, admittance, speed_m_s):
    """Give the four equations, each made of order one."""
    k0 = unknown[3] / speed_m_s
    found = []
    for axis, side in enumerate(sides_m):
        b0, b1 = (share * admittance[2 * axis + i](1j * unknown[3]) for i in (0, 1))
        root = cmath.sqrt(unknown[axis])
        sine = side if abs(root) < 1e-9 else cmath.sin(root * side) / root
        found.append(
            (unknown[axis] + k0**2 * b0 * b1) * sine
            - 1j * k0 * (b0 + b1) * cmath.cos(root * side)
        )
    found.append((unknown[:3].sum() - k0**2) * max(sides_m))
    return np.array(found)


def _newton(unknown, share, sides_m, admittance, speed_m_s):
    scale = np.append(np.full(3, abs(unknown[3] / speed_m_s) ** 2), abs(unknown[3]))
    for _ in range(40):
        here = _missed(unknown, share, sides_m, admittance, speed_m_s)
        slope = np.zeros((4, 4), dtype=complex)
        for i in range(4):
            step = np.zeros(4, dtype=complex)
            step[i] = 1e-6 * scale[i]
            ahead = _missed(unknown + step, share, sides_m, admittance, speed_m_s)
            behind = _missed(unknown - step, share, sides_m, admittance, speed_m_s)
            slope[:, i] = (ahead - behind) / (2.0 * step[i])
        change = np.linalg.solve(slope, here)
        unknown = unknown - change
        if (np.abs(change) < 1e-11 * scale).all():
            return unknown
    raise ArithmeticError(f"Newton's method has not come to rest at share {share}")
