"""How sources favour directions: closed forms, two synthetic tables, a user's own.

A table holds levels relative to the axis for angles spaced evenly from 0 to 180
degrees. Between angles the energy, not the level, is interpolated, so that a null
is a null (floor of the tables: -100 dB). Sources: first-order patterns are
p + (1 - p) cos(theta) by definition; a cap that vibrates in a rigid sphere is the
classic series of Morse, *Vibration and Sound*, chapter VII.
"""

from itertools import pairwise
from types import MappingProxyType

import numpy as np
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from raysim.scene.bandwise import N_OCTAVE, N_PRINTED, per_band
from raysim.scene.model import Bands, Directivity
from raysim.scene.table import Table, frozen
from raysim.units import Float, band_edges_hz, to_energy, to_level_db

#: p of a first-order pattern p + (1 - p) cos(theta). Supercardioid: greatest ratio of
#: energy from the front half to the back half; hypercardioid: greatest directivity.
FIRST_ORDER = MappingProxyType(
    {
        "omni": 1.0,
        "wide cardioid": 0.7,
        "cardioid": 0.5,
        "supercardioid": 0.5 * (np.sqrt(3.0) - 1.0),
        "hypercardioid": 0.25,
        "figure-of-eight": 0.0,
    }
)

#: All built-in names for sources.
KNOWN = (*FIRST_ORDER, "talker", "small loudspeaker")

_ANGLE_DEG = np.linspace(0.0, 180.0, 181)
_FLOOR_DB = -100.0
_SPEED_M_S = 343.2  # at 20 degrees; a synthetic table need not follow the weather
_SYNTHETIC = "synthetic: a rigid sphere with a vibrating cap; not measured on any"


def directivity(name: str, bands: Bands) -> Directivity:
    """Give a built-in directivity.

    Parameters
    ----------
    name : str
        One of `KNOWN`.
    bands : Bands

    Raises
    ------
    KeyError
        The name is not known.
    """
    if name == "talker":
        # A head of 9 cm radius, a mouth of 1.25 cm; shoulders and chest are left out.
        return _capped_sphere(name, bands, 0.09, ((0.0, 0.0125),), f"{_SYNTHETIC} person")
    if name == "small loudspeaker":
        # A cabinet like a sphere of 13 cm radius, cones of 6.5 and 1.25 cm radius.
        cones = ((0.0, 0.065), (2500.0, 0.0125))
        return _capped_sphere(name, bands, 0.13, cones, f"{_SYNTHETIC} loudspeaker")
    return first_order(name, FIRST_ORDER[name], bands)


def first_order(name: str, p: float, bands: Bands) -> Directivity:
    """Give the pattern p + (1 - p) cos(theta), the same in all bands  (A3)."""
    pressure = p + (1.0 - p) * np.cos(np.radians(_ANGLE_DEG))
    level_db = np.maximum(to_level_db(pressure**2), _FLOOR_DB)
    table_db = np.tile(level_db, (bands.n_band, 1))
    return Directivity(name, frozen(table_db), "closed form, p + (1 - p) cos(theta)")


def _capped_sphere(
    name: str,
    bands: Bands,
    radius_m: float,
    cones: tuple[tuple[float, float], ...],  # (from Hz, radius of the cap in m)
    source: str,
) -> Directivity:
    edges_hz = band_edges_hz(bands.centre_hz, bands.fraction)
    rows = []
    for centre_hz, (low_hz, high_hz) in zip(bands.centre_hz, edges_hz, strict=True):
        cap_m = [r for from_hz, r in cones if centre_hz >= from_hz][-1]
        # Five tones even on a logarithmic axis: a band has no sharp nulls.
        freq_hz = low_hz * (high_hz / low_hz) ** ((np.arange(5) + 0.5) / 5.0)
        half_rad = float(np.arcsin(cap_m / radius_m))
        ka = 2.0 * np.pi * freq_hz * radius_m / _SPEED_M_S
        patterns = [np.abs(capped_sphere(float(x), half_rad, _ANGLE_DEG)) ** 2 for x in ka]
        energy = np.mean(patterns, axis=0)
        rows.append(np.maximum(to_level_db(energy / energy[0]), _FLOOR_DB))
    return Directivity(name, frozen(rows), source)


def capped_sphere(ka: float, half_rad: float, angle_deg: Float) -> Float:
    """Give the far pressure of a cap that vibrates in a rigid sphere  (A4).

    Parameters
    ----------
    ka : float
        Wavenumber times radius of the sphere, above 0.
    half_rad : float
        Half the angle under which the centre sees the cap.
    angle_deg : (n_angle,) float64
        From the axis of the cap.

    Returns
    -------
    (n_angle,) complex128
        With an arbitrary common factor.

    References
    ----------
    Morse, *Vibration and Sound*, chapter VII (cited from memory): each order m of the cap's
    velocity radiates as (-i)^m P_m(cos theta) / h_m'(ka).
    """
    m = np.arange(int(np.ceil(1.2 * ka)) + 20)
    edge = np.cos(half_rad)
    velocity = eval_legendre(np.maximum(m - 1, 0), edge) - eval_legendre(m + 1, edge)
    velocity[0] = 1.0 - edge
    slope = spherical_jn(m, ka, derivative=True) - 1j * spherical_yn(m, ka, derivative=True)
    # (+i)^m belongs to outgoing waves h = j - i y, time factor exp(+i omega t).
    weight = velocity * 1j**m / slope
    cosine = np.cos(np.radians(angle_deg))
    return np.asarray(weight @ eval_legendre(m[:, None], cosine[None, :]))


def gain(directed: Directivity, angle_deg: Float) -> Float:
    """Give the energy in some directions relative to the axis.

    Parameters
    ----------
    directed : Directivity
    angle_deg : (n_direction,) float64
        From the axis, 0 to 180.

    Returns
    -------
    (n_band, n_direction) float64
        Linear in energy between the angles of the table.
    """
    energy = to_energy(directed.level_db)
    return np.stack([np.interp(angle_deg, directed.angle_deg, row) for row in energy])


def mean_gain(directed: Directivity) -> Float:
    """Give the energy averaged over all directions, relative to the axis, (n_band,)  (A5).

    The average of `gain`, exactly: over a step of the table, energy is linear in the
    angle and the share of directions goes as the sine.
    """
    energy = to_energy(directed.level_db)
    theta = np.radians(directed.angle_deg)
    step = np.diff(theta)
    fall = -np.diff(np.cos(theta))  # the integral of sin over a step
    rise = np.diff(np.sin(theta) - theta * np.cos(theta))  # of theta sin over a step
    upper = (rise - theta[:-1] * fall) / step
    return np.asarray(0.5 * (energy[:, :-1] @ (fall - upper) + energy[:, 1:] @ upper))


def read_directivities(outer: Table, bands: Bands) -> dict[str, Directivity | None]:
    """Read a user's tables ``[directivity.name]``.

    ``angle_deg`` runs from 0 to 180; ``level_db`` has one row for all bands, or a row
    per octave (six or eight), each with a level for every angle. A table with a
    mistake is None: its name is known all the same.
    """
    found: dict[str, Directivity | None] = {}
    inside = outer.table("directivity")
    for name in tuple(inside) if inside is not None else ():
        entry = inside.table(name) if inside is not None else None
        if inside is None or entry is None or not inside.check_name(name, name):
            continue
        if name in KNOWN:
            fix = "Give this one another name."
            entry.complain(None, f'the directivity "{name}" is built in.', fix, "RS-S05")
        found[name] = _read_directivity(name, entry, bands)
        entry.close()
    return found


def _read_directivity(name: str, entry: Table, bands: Bands) -> Directivity | None:
    angles = entry.numbers("angle_deg", None, 0.0, 180.0, required=True)
    if angles is not None and not _spans(angles):
        entry.complain(
            "angle_deg", '"angle_deg" does not climb from 0 to 180.',
            "Give angles from the axis in rising order, the first 0 and the last 180.",
            "RS-S09",
        )  # fmt: skip
        angles = None
    n_angle = None if angles is None else len(angles)
    n_row = (1, N_PRINTED, N_OCTAVE)
    rows = entry.rows("level_db", n_angle, n_row, required=True, low=-200.0, high=200.0)
    source = entry.text("source") or "not stated"
    if angles is None or rows is None:
        return None
    # The axis is the reference: only differences from it belong to a directivity.
    octave_db = rows - rows[:, :1]
    energy = np.stack([np.interp(_ANGLE_DEG, angles, to_energy(row)) for row in octave_db])
    level_db = np.maximum(to_level_db(energy), _FLOOR_DB)
    return Directivity(name, frozen(per_band(level_db.T, bands).T), source)


def _spans(angles: list[float]) -> bool:
    is_whole = angles[0] == 0.0 and angles[-1] == 180.0
    return is_whole and all(a < b for a, b in pairwise(angles))
