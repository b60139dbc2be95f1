"""Why a traced decay and Eyring's formula part, in one sentence of facts for each layout.

The formula takes sound to be mixed, so that every surface works at once. What is told
here is where that fails: by the absorption that sound meets along each axis, and by how
much of it is scattered from one axis to the others.
"""

import math
from collections.abc import Sequence

import numpy as np

from raysim.measures.diffuseness import AXES, SMOOTH
from raysim.report.facts import LayoutFacts
from raysim.report.numbers import amount

#: Nearer than this T30 and the formula agree, if chance does not explain more: two
#: just-noticeable differences of 5 % (ISO 3382-1:2009, Table A.1).
_AGREES = 0.1
_N_SIGMA = 2.0
#: A treatment sits where it adds this much more absorption than elsewhere.
_MOSTLY = 1.5


def why_apart(layouts: Sequence[LayoutFacts]) -> list[str]:
    """Give a sentence for every layout whose T30 and Eyring's time differ.

    Parameters
    ----------
    layouts : sequence of LayoutFacts
        The first is what treatments are told against.

    Returns
    -------
    list of str
        What to expect of the formula, and then the sentences; empty if all agree.
    """
    found = [_sentence(one, layouts[0]) for one in layouts if _is_apart(one)]
    if not found:
        return []
    return [
        "Eyring's formula takes sound to be mixed, so that every surface works at once. "
        "Where it is not, the traced decay is the better guess.",
        *found,
    ]


def _is_apart(layout: LayoutFacts) -> bool:
    off_s = abs(layout.t30_mid_s - layout.eyring_mid_s)
    sure_s = _N_SIGMA * layout.t30_mid_error_s
    if not math.isfinite(off_s):
        return False
    return off_s > _AGREES * layout.eyring_mid_s and not off_s <= sure_s


def _sentence(layout: LayoutFacts, first: LayoutFacts) -> str:
    mixing, times = layout.mixing, layout.t30_mid_s / layout.eyring_mid_s
    hard, soft = mixing.hard, mixing.soft
    head = f"“{layout.name}” lingers {times:.1f} times as long as Eyring has it"
    absorbs = (
        f"sound {AXES[hard]} meets a mean absorption of {amount(mixing.by_axis[hard], 0.01)}, "
        f"{AXES[soft]} {amount(mixing.by_axis[soft], 0.01)}"
    )
    added = mixing.by_axis - first.mixing.by_axis
    most = int(added.argmax())
    sits = ""
    if layout is not first and added[most] > _MOSTLY * max(0.0, float(np.sort(added)[-2])):
        sits = f"; what is put up works mostly {AXES[most]}"
    mixed = f"{amount(mixing.scattering, 0.01)} of what is reflected is scattered"
    if times < 1.0:
        return f"{head}: {absorbs}{sits}, and it is met more often than its area says."
    if mixing.is_uneven:
        return f"{head}: {absorbs}{sits}, and only {mixed} to other directions."
    if mixing.scattering < SMOOTH:
        return f"{head}: only {mixed}, so that sound keeps to ordered paths; {absorbs}{sits}."
    return f"{head}: {absorbs}{sits}, and {mixed}; no axis is hard enough to explain it alone."
