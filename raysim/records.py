"""All that propagation hands on: arrivals of exact paths, and energy over time.

The store keeps these records and gives them back; all later stages start from them.

Energy is relative to the same source in free field at 1 m on its axis (`units.py`).
Axis order everywhere: source, receiver, band, time.
"""

from dataclasses import dataclass

from raysim.units import Float, Int

#: Directional moments of an arrival from unit direction (x, y, z), besides its energy.
#: zz is 1 - xx - yy. Any first-order microphone's energy follows from them exactly.
MOMENTS = ("x", "y", "z", "xx", "yy", "xy", "xz", "yz")


@dataclass(frozen=True, slots=True)
class Sides:
    """Every side of every surface that has air before it, as sound meets it.

    Side i < n_surface is the front of surface i; the backs of sheets follow. Arrival
    lists name surfaces by index into this table.
    """

    names: tuple[str, ...]
    materials: tuple[str, ...]
    alpha: Float  # (n_side, n_band)
    scattering: Float  # (n_side, n_band)
    area_m2: Float  # (n_side,)


@dataclass(frozen=True, slots=True)
class Arrivals:
    """Specular paths from one source to one receiver, sorted by delay.

    ``direction`` points from the receiver to where the sound comes from,
    ``departure`` from the source along the path's first leg; both are unit vectors.
    ``surfaces[i, :order[i]]`` are indices into `Sides`, first reflection
    first, padded with -1. ``energy`` includes the source's directivity,
    walls, air and 1/d^2, for an omnidirectional receiver. ``cosine`` is that of the angle
    of incidence, from the normal, at each of these reflections, padded with nan.
    """

    delay_s: Float  # (n_arrival,)
    distance_m: Float  # (n_arrival,)
    order: Int  # (n_arrival,)
    direction: Float  # (n_arrival, 3)
    departure: Float  # (n_arrival, 3)
    surfaces: Int  # (n_arrival, max_order)
    energy: Float  # (n_arrival, n_band)
    cosine: Float | None = None  # (n_arrival, max_order)


@dataclass(frozen=True, slots=True)
class EnergyHistogram:
    """Energy from rays, one source and one receiver: all that images do not hold.

    ``energy[b, k, t]`` is batch b's estimate, for an omnidirectional receiver, of
    band k's energy that arrives between t and t + 1 bins after emission; batches are
    independent, equal in size, and their mean is the estimate. ``moments`` is the
    mean over batches of energy times each of `MOMENTS`.
    """

    bin_s: float
    energy: Float  # (n_batch, n_band, n_time)
    moments: Float  # (n_moment, n_band, n_time)


@dataclass(frozen=True, slots=True)
class RayCount:
    """How the rays of one source fared."""

    n_ray: int
    n_segment: int
    n_lost: int  # met no surface, or the back of one: a leak or a rounding fault
    n_round: int


@dataclass(frozen=True, slots=True)
class PairResult:
    """All that was computed for one source and one receiver."""

    source: str
    receiver: str
    arrivals: Arrivals
    histogram: EnergyHistogram


#: Where a pair's neighbouring points lie from the receiver, metres: what 10 cm change.
AROUND_M = (
    (-0.1, 0.0, 0.0), (0.1, 0.0, 0.0), (0.0, -0.1, 0.0),
    (0.0, 0.1, 0.0), (0.0, 0.0, -0.1), (0.0, 0.0, 0.1),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class BassResponse:
    """One source and one receiver below the crossover, by the wave solver.

    ``pressure`` is the response re a unit impulse at 1 m in free field, from emission, for
    an omnidirectional receiver; ``around`` the same at `AROUND_M` from the receiver, nan
    where there is no air.
    """

    source: str
    receiver: str
    sample_rate_hz: float
    low_hz: float  # between these the response is complete
    high_hz: float
    crossover_hz: float
    pressure: Float  # (n_sample,)
    around: Float  # (6, n_sample)


@dataclass(frozen=True, slots=True)
class Modes:
    """Standing waves of a room, by rising frequency.

    ``shape`` is a mode's pressure re its root mean square over the room: 0 is a null.
    ``along`` is the share of its motion along x, y, z. ``kind`` says what it is in words
    and ``between`` which surfaces it stands between, as names.
    """

    freq_hz: Float  # (n_mode,)
    decay_s: Float  # (n_mode,) time to fall by 60 dB
    along: Float  # (n_mode, 3)
    kind: tuple[str, ...]
    between: tuple[tuple[str, ...], ...]
    at_source: Float  # (n_mode, n_source)
    at_receiver: Float  # (n_mode, n_receiver)


@dataclass(frozen=True, slots=True)
class SeatMap:
    """Bass over a horizontal plane, for one source: where to sit or put a microphone."""

    source: str
    height_m: float
    x_m: Float  # (n_x,)
    y_m: Float  # (n_y,)
    freq_hz: Float  # (n_freq,)
    level_db: Float  # (n_freq, n_y, n_x) re free field at 1 m; nan where nobody can be


@dataclass(frozen=True, slots=True)
class Bass:
    """All that was computed for one layout below the crossover."""

    pairs: tuple[BassResponse, ...]
    modes: Modes
    maps: tuple[SeatMap, ...]
    spacing_m: float
    imbalance: float  # worst error of the energy balance, as a share
