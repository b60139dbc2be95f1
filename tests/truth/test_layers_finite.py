"""One rectangular absorber in a hard wall: radiation impedance and edge effect."""

import numpy as np
import pytest

from raysim.absorbers.diffuse import alpha_random
from raysim.absorbers.finite import alpha_finite, overlap_m2, radiation_impedance
from raysim.absorbers.layers import Porous, Stack
from raysim.units import octave_centres_hz

WOOL = Stack((Porous(0.1, 1e4),))
SIZE_M = (1.2, 0.6)
THETA = np.radians([0.0, 35.0, 70.0])


def k_of(freq_hz):
    return 2.0 * np.pi * freq_hz / 343.2


def by_far_field(freq_hz, theta, size_m) -> float:
    """Give the radiation resistance from the power that arrives far away.

    Re zeta = k^2 S / 4 pi^2 times the integral over the half space of
    (sinc sinc)^2 of the difference of wavenumbers along the wall, mean over azimuth.
    """
    k = k_of(freq_hz)
    mu, weight = np.polynomial.legendre.leggauss(200)
    sine = np.sqrt(1.0 - (0.5 + 0.5 * mu) ** 2)[:, np.newaxis, np.newaxis]
    out = (2.0 * np.pi * (np.arange(180) + 0.5) / 180)[np.newaxis, :, np.newaxis]
    into = (2.0 * np.pi * np.arange(90) / 90)[np.newaxis, np.newaxis, :]
    x = k * (sine * np.cos(out) - np.sin(theta) * np.cos(into))
    y = k * (sine * np.sin(out) - np.sin(theta) * np.sin(into))
    # numpy's sinc has the factor pi in it.
    pattern = (np.sinc(0.5 * x * size_m[0] / np.pi) * np.sinc(0.5 * y * size_m[1] / np.pi)) ** 2
    power = 2.0 * np.pi * float((pattern.mean(axis=(1, 2)) * 0.5 * weight).sum())
    return k * k * size_m[0] * size_m[1] / (4.0 * np.pi**2) * power


@pytest.mark.parametrize("freq_hz", [63.0, 250.0, 1000.0])
def test_resistance_is_the_power_that_leaves(freq_hz):
    """Truth: energy, by another integral. Tolerance: that of both quadratures, 1e-6."""
    got = radiation_impedance(freq_hz, THETA, SIZE_M).real
    expected = [by_far_field(freq_hz, theta, SIZE_M) for theta in THETA]
    assert got == pytest.approx(np.array(expected), rel=1e-6)
    # Planted fault: the piece is a centimetre narrower.
    assert radiation_impedance(freq_hz, THETA, (1.19, 0.6)).real != pytest.approx(
        np.array(expected), rel=1e-4
    )


def by_shifts(freq_hz, theta, size_m) -> complex:
    """Give the impedance from all pairs of points, by their shift along both sides.

    j k / 2 pi S times the integral of overlap, exp(-jkR)/R and the phase of the wave, mean
    over azimuth. Squares of the nodes crowd them where R = 0.
    """
    k, (w, h) = k_of(freq_hz), size_m
    x, weight = np.polynomial.legendre.leggauss(160)
    s, weight = 0.5 + 0.5 * x, 0.5 * weight
    u, v = w * s[:, np.newaxis] ** 2, h * s[np.newaxis, :] ** 2
    area = 4.0 * w * h * np.outer(weight * s, weight * s)
    r = np.hypot(u, v)
    part = (w - u) * (h - v) * np.exp(-1j * k * r) / r * area
    total = 0j
    for phi in 2.0 * np.pi * (np.arange(64) + 0.5) / 64:
        along = k * np.sin(theta)
        phase = np.cos(along * np.cos(phi) * u) * np.cos(along * np.sin(phi) * v)
        total += (phase * part).sum() / 64
    return complex(4j * k / (2.0 * np.pi * w * h) * total)


@pytest.mark.parametrize("freq_hz", [63.0, 250.0, 1000.0])
def test_whole_impedance(freq_hz):
    """Truth: the double integral over both sides. Tolerance: 1e-5, to which it has settled
    with 160 by 160 nodes."""
    expected = np.array([by_shifts(freq_hz, theta, SIZE_M) for theta in THETA])
    got = radiation_impedance(freq_hz, THETA, SIZE_M)
    assert np.abs(got / expected - 1.0).max() < 1e-5
    # Planted fault: the conjugate, as of the other convention of time.
    assert np.abs(got.conj() / expected - 1.0).max() > 0.1


def test_small_and_large_rectangles():
    """Truth: k^2 S / 2 pi of a small source in a wall; 1/cos(theta) of an endless one.
    Tolerance: (k w)^2 / 10; the edge's share, falling with size."""
    small = radiation_impedance(20.0, THETA, (0.1, 0.05)).real
    assert small == pytest.approx(k_of(20.0) ** 2 * 0.005 / (2.0 * np.pi), rel=1e-3)
    off = [
        np.abs(radiation_impedance(1000.0, THETA, (m, m)) * np.cos(THETA) - 1.0).max()
        for m in (2.0, 8.0, 32.0)
    ]
    assert off[2] < 0.03
    assert off[2] < 0.5 * off[1] < 0.25 * off[0]


def test_overlap_of_rectangles():
    """Truth: its integral over all distances is the area squared over four, since each pair
    of points is somewhere; at no distance it is a quarter turn of the area."""
    x, weight = np.polynomial.legendre.leggauss(800)
    diagonal = float(np.hypot(*SIZE_M))
    r = 0.5 * diagonal * (1.0 + x)
    total = float((overlap_m2(r, SIZE_M) * r * 0.5 * diagonal * weight).sum())
    assert total == pytest.approx((1.2 * 0.6) ** 2 / 4.0, rel=1e-5)
    assert overlap_m2(np.array([1e-9]), SIZE_M)[0] == pytest.approx(
        0.5 * np.pi * 0.72, rel=1e-6
    )


def test_large_pieces_are_as_endless_ones():
    """Truth: the endless stack. Tolerance: the edge's share, which at least nearly halves
    as the side doubles, to 3 % at 20 m."""
    freq_hz = np.array([500.0, 1000.0, 2000.0])
    endless = alpha_random(WOOL, freq_hz)
    off = [np.abs(alpha_finite(WOOL, freq_hz, (m, m)) - endless) for m in (5.0, 10.0, 20.0)]
    assert np.all(off[2] < 0.03)
    assert np.all(off[2] < 0.6 * off[1])
    assert np.all(off[1] < 0.6 * off[0])


def test_edge_effect_of_one_panel():
    """Truth: small pieces absorb more per square metre (common practice: chambers report
    more than one); what a piece can drain has a bound, 2 times the mean of 1/Re zeta."""
    freq_hz = octave_centres_hz()
    alpha = alpha_finite(WOOL, freq_hz, SIZE_M)
    assert np.all(alpha > alpha_random(WOOL, freq_hz))
    assert alpha[1:6].max() > 1.2
    node, weight = np.polynomial.legendre.leggauss(48)
    theta = np.arccos(0.5 + 0.5 * node)
    for f, got in zip(freq_hz, alpha, strict=True):
        resistance = radiation_impedance(float(f), theta, SIZE_M).real
        assert got <= 2.0 * float((0.5 * weight / resistance).sum())


def test_rigid_pieces_absorb_nothing_and_turning_changes_nothing():
    freq_hz = np.array([125.0, 1000.0])
    assert alpha_finite(Stack(()), freq_hz, SIZE_M).tolist() == [0.0, 0.0]
    turned = alpha_finite(WOOL, freq_hz, SIZE_M[::-1])
    assert turned == pytest.approx(alpha_finite(WOOL, freq_hz, SIZE_M), rel=1e-12)
