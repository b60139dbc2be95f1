"""What a room's materials absorb, judged from decay times that were measured in it.

Coefficients in doubt, low to high, are fitted to measured EDT, T20 and T30 in every octave
by itself, by least squares of the logarithms of times: the traced decay, not a formula's.
Each coefficient is held to its likely value as strongly as its range says, and never leaves
the range. What the data do not tell stays as it was, and is said. A model that is a little
wrong is wrong for all places of a room alike, so one error in common is allowed for in
each layout. Theory: DEVELOPERS.md, Q5 to Q8.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.errors import Complaint, SceneError
from raysim.planning.alpha_fit import (
    BandFit,
    Data,
    cost_of,
    data_of,
    is_of,
    own_error,
    prior_spread,
)
from raysim.planning.measured_decays import MeasuredDecay
from raysim.planning.replayed_decay import ReplayedRoom, record_room
from raysim.response.bands import bandwidth_hz
from raysim.scene.model import Bands, Material
from raysim.study import Prepared
from raysim.tracing import Tell, say_nothing
from raysim.units import Float

N_RAY: Final = 8192
#: What a calibrated model is still off by in each layout, as a share; one just noticeable
#: difference of decay times. Common practice, no source.
MODEL_PCT: Final = 5.0
_N_STEP: Final = 8
_N_HALVING: Final = 4
#: The fit stands when no coefficient moves by more of its prior spread.
_STILL: Final = 0.02
#: Of a coefficient's range: step of the derivative.
_DIFFERENCE: Final = 0.05
#: Shares of the prior spread that are left: the data say nothing, or little.
NOTHING, LITTLE = 0.95, 0.7
#: So near to the end of its range, as a share of it, a coefficient is at the end.
_AT_END: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """Fitted coefficients, (n_material, n_band) each, and how well the data are met."""

    materials: tuple[Material, ...]  # as they were
    alpha: Float
    error: Float  # one standard error, the doubt that is left
    prior_error: Float  # what the range said before
    correlation: Float  # (n_band, n_material, n_material)
    rows: tuple[MeasuredDecay, ...]  # that were used
    layouts: tuple[str, ...]  # of each row
    before_s: Float  # (n_row,) computed with likely coefficients
    after_s: Float  # (n_row,) with the fitted ones
    row_error: Float  # (n_row,) relative: measured, traced and of the model
    n_unused: int  # rows whose decay time could not be computed
    n_step: int

    @property
    def left(self) -> Float:
        """The share of the doubt that is left; NaN where there was none."""
        out = np.full_like(self.error, np.nan)
        return np.divide(self.error, self.prior_error, out=out, where=self.prior_error > 0.0)

    def covariance(self, band: int) -> Float:
        """Give what is left of the doubt in an octave, (n_material, n_material)."""
        spread = self.error[:, band]
        return np.asarray(self.correlation[band] * spread * spread[:, None])

    @property
    def at_end(self) -> Float:
        """Where a coefficient was driven to an end of its range: -1 the low one, 1 the high."""
        low, likely, high = (
            np.stack([getattr(m, key) for m in self.materials])
            for key in ("alpha_low", "alpha", "alpha_high")
        )
        near = _AT_END * (high - low)
        up = (self.alpha >= high - near) & (likely < high - near)
        down = (self.alpha <= low + near) & (likely > low + near)
        return np.where(up, 1.0, np.where(down, -1.0, 0.0))

    @property
    def misfit(self) -> Float:
        """Logarithm of computed over measured times in units of errors, (n_row,)."""
        measured_s = np.array([r.value_s for r in self.rows])
        return np.asarray(np.log(self.after_s / measured_s) / self.row_error)


def in_question(prepared: Sequence[Prepared]) -> tuple[Material, ...]:
    """List the materials of rooms that tables describe with a range.

    What is made of layers or stands before another wall is computed, and stays so.
    """
    found: dict[str, Material] = {}
    for one in prepared:
        for name in one.room.sides.materials:
            material = one.scene.materials[name]
            is_open = bool((material.alpha_high > material.alpha_low).any())
            own = name in one.described.materials  # not made for a treatment
            if material.stack is None and material.behind_alpha is None and is_open and own:
                found.setdefault(name, material)
    return tuple(found.values())


def calibrate(
    prepared: Sequence[Prepared],
    measured: Sequence[MeasuredDecay],
    *,
    n_ray: int = N_RAY,
    seed: int = 1,
    model_pct: float = MODEL_PCT,
    tell: Tell = say_nothing,
) -> Calibration:
    """Fit materials to decay times.

    Parameters
    ----------
    prepared : sequence of Prepared
        The layouts that were measured, in octaves.
    measured : sequence of MeasuredDecay
        Each of a layout, named as in `Prepared.name`; empty if there is but one.
    n_ray : int
        Per source and layout.
    seed : int
    model_pct : float
        What the model may be off by for all of a layout alike, one standard deviation.
    tell : callable, optional

    Returns
    -------
    Calibration

    Raises
    ------
    SceneError
        RS-C03 a name that the scene does not have, RS-C04 no material has a range,
        RS-C05 not in octaves, RS-C08 no measured time can be computed.
    """
    materials = _checked(prepared, measured)
    low, likely, high = (
        np.stack([np.asarray(getattr(m, key)) for m in materials])
        for key in ("alpha_low", "alpha", "alpha_high")
    )
    longest_s = max(r.value_s for r in measured)
    rooms = []
    for i, one in enumerate(prepared):

        def told(share: float, text: str, i: int = i) -> None:
            tell(0.4 * (i + share) / len(prepared), text)

        names = [m.name for m in materials]
        rooms.append(record_room(one, names, low, longest_s, n_ray, seed, told))
    return _fit(rooms, materials, measured, (low, likely, high), 0.01 * model_pct, tell)


def _checked(
    prepared: Sequence[Prepared], measured: Sequence[MeasuredDecay]
) -> tuple[Material, ...]:
    """Give the materials in question, or complain of what cannot be."""
    complaints = []
    if any(one.scene.bands.fraction != 1 for one in prepared):
        fix = "Leave the table [bands] out of the scene."
        complaints.append(
            Complaint(str(prepared[0].described.path), "calibration works in octaves.", fix,
                      "RS-C05")
        )  # fmt: skip
    pairs = {
        one.name: {(s.name, r.name) for s in one.scene.sources for r in one.receivers_of(s)}
        for one in prepared
    }
    for row in measured:
        layout = row.layout or prepared[0].name
        if layout not in pairs:
            fix = f"Layouts are: {', '.join(pairs)}."
            wrong = f'there is no layout "{layout}" to compare with.'
            complaints.append(Complaint(row.where, wrong, fix, "RS-C03"))
        elif not any(is_of(row, pair) for pair in pairs[layout]):
            listed = ", ".join(f"{s} to {r}" for s, r in sorted(pairs[layout]))
            wrong = f'the scene has no pair "{row.source}" to "{row.receiver}".'
            complaints.append(Complaint(row.where, wrong, f"It has: {listed}.", "RS-C03"))
    materials = in_question(prepared)
    if not materials:
        complaints.append(
            Complaint(
                str(prepared[0].described.path),
                "no material in it has a low and a high coefficient apart from the likely one.",
                "State alpha_low and alpha_high for what is in doubt.",
                "RS-C04",
            )
        )
    if complaints:
        raise SceneError(complaints)
    return materials


def _fit(
    rooms: Sequence[ReplayedRoom],
    materials: tuple[Material, ...],
    measured: Sequence[MeasuredDecay],
    ranges: tuple[Float, Float, Float],
    model: float,
    tell: Tell,
) -> Calibration:
    """Go to the best coefficients by steps of linear least squares  (Q6)."""
    low, likely, high = ranges
    prior = prior_spread(low, likely, high)
    data = data_of(rooms, measured)
    value_s, error_s = _errors(rooms, data, likely)
    kept = np.flatnonzero(np.isfinite(value_s) & np.isfinite(error_s)).tolist()
    n_unused = len(data.rows) - len(kept)
    if not kept:
        raise SceneError(
            Complaint(
                measured[0].where,
                "none of these decay times exists in the room as described.",
                "Look at the scene with `raysim check`; EDT at a close microphone has none.",
                "RS-C08",
            )
        )
    data = data.only(kept)
    before_s, traced = value_s[kept], error_s[kept] / value_s[kept]
    own = own_error(data, traced, bandwidth_hz(Bands()))
    target = np.log([row.value_s for row in data.rows])
    weighing = [BandFit(data, band, own, model) for band in range(likely.shape[1])]
    alpha, now_s = likely.copy(), before_s
    cost = cost_of(weighing, target - np.log(now_s), alpha, likely, prior)
    n_step = 0
    jacobian = _jacobian(rooms, data, alpha, now_s, ranges)
    for n_step in range(1, _N_STEP + 1):
        tell(0.4 + 0.6 * n_step / (_N_STEP + 1), f"fitting, step {n_step}")
        left = target - np.log(now_s)
        step = np.stack(
            [
                w.step(left, jacobian, alpha[:, b], low[:, b], likely[:, b], high[:, b],
                       prior[:, b])
                for b, w in enumerate(weighing)
            ],
            axis=1,
        )  # fmt: skip
        start = alpha
        share = np.ones(likely.shape[1])
        for _ in range(_N_HALVING):
            trial = np.clip(start + share * step, low, high)
            trial_s = data.of([room.decays_s(trial[None])[0] for room in rooms])[0]
            trial_s = np.where(np.isfinite(trial_s), trial_s, now_s)
            new_cost = cost_of(weighing, target - np.log(trial_s), trial, likely, prior)
            better = new_cost <= cost
            if better.all():
                break
            share = np.where(better, share, 0.5 * share)
        trial = np.where(better, trial, start)
        moved = np.abs(trial - start)
        alpha = trial
        taken = np.array([better[row.band] for row in data.rows])
        now_s = np.where(taken, trial_s, now_s)
        cost = np.where(better, new_cost, cost)
        jacobian = _jacobian(rooms, data, alpha, now_s, ranges)
        if np.all(moved <= _STILL * prior):
            break
    return _result(rooms, data, weighing, jacobian, materials, alpha, prior, before_s,
                   now_s, np.hypot(own, model), n_unused, n_step)  # fmt: skip


def _errors(rooms: Sequence[ReplayedRoom], data: Data, alpha: Float) -> tuple[Float, Float]:
    """Give each row's time and its error of tracing: of a mean, as if pairs shared it all."""
    both = [room.decays_s(alpha[None], spread=True) for room in rooms]
    return data.of([b[0] for b in both])[0], data.of([b[1] for b in both])[0]


def _jacobian(
    rooms: Sequence[ReplayedRoom],
    data: Data,
    alpha: Float,
    now_s: Float,
    ranges: tuple[Float, Float, Float],
) -> Float:
    """Give derivatives of log times by coefficients of each row's octave, (n_row, n_material).

    All replays are of the same rays, so differences have hardly any chance in them.
    """
    low, _, high = ranges
    size = _DIFFERENCE * (high - low)
    step = np.where(alpha + size <= high, size, -size)
    changed = alpha + np.eye(len(alpha))[:, :, None] * step[None]
    times_s = data.of([room.decays_s(changed)[0] for room in rooms])  # (n_material, n_row)
    bands = [row.band for row in data.rows]
    by = step[:, bands]
    change = np.log(times_s / now_s)
    slope = np.divide(change, by, out=np.zeros_like(change), where=by != 0.0)
    return np.asarray(np.where(np.isfinite(slope), slope, 0.0).T)


def _result(
    rooms: Sequence[ReplayedRoom],
    data: Data,
    weighing: Sequence[BandFit],
    jacobian: Float,
    materials: tuple[Material, ...],
    alpha: Float,
    prior: Float,
    before_s: Float,
    after_s: Float,
    row_error: Float,
    n_unused: int,
    n_step: int,
) -> Calibration:
    covariance = np.stack([w.posterior(jacobian, prior[:, b]) for b, w in enumerate(weighing)])
    error = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)).T
    scale = error.T[:, :, None] * error.T[:, None, :]
    correlation = np.divide(covariance, scale, out=np.zeros_like(scale), where=scale > 0.0)
    return Calibration(
        materials, alpha, error, prior, correlation, data.rows,
        tuple(rooms[k].name for k in data.room), before_s, after_s, row_error,
        n_unused, n_step,
    )  # fmt: skip
