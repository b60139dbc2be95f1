"""Which layouts and states of a scene were measured, by the names in a table."""

from collections.abc import Sequence
from pathlib import Path

from raysim.errors import Complaint, SceneError
from raysim.planning.measured_decays import MeasuredDecay
from raysim.scene.read import read_scene
from raysim.scene.table import nearest
from raysim.study import AS_DESCRIBED, Prepared, layout_name, prepare


def prepare_measured(
    path: Path, rows: Sequence[MeasuredDecay], layout: str | None, state: str | None
) -> list[Prepared]:
    """Prepare every layout that a table speaks of.

    Parameters
    ----------
    path : Path
        The scene file, or its folder.
    rows : sequence of MeasuredDecay
    layout, state : str, optional
        What rows without a layout are of, and only for these.

    Returns
    -------
    list of Prepared
        That of rows without a layout first.

    Raises
    ------
    SceneError
        RS-C03: the table speaks of a layout that the scene does not have; or as `prepare`.
    """
    scene = read_scene(path)
    asked = {
        layout_name(one, its): (
            AS_DESCRIBED if one is None else one.name,
            AS_DESCRIBED if its is None else its.name,
        )
        for one in (None, *scene.layouts)
        for its in (None, *scene.states)
    }
    named = list(dict.fromkeys(row.layout for row in rows))
    complaints = []
    for name in named:
        if name and name not in asked:
            where = next(row.where for row in rows if row.layout == name)
            wrong = f'the scene has no layout "{name}".'
            complaints.append(Complaint(where, wrong, nearest(name, asked), "RS-C03"))
    if (layout or state) and "" not in named:
        wrong = "the table says of every line which layout it is of."
        option = "--layout" if layout else "--state"
        complaints.append(Complaint(option, wrong, "Leave the option out.", "RS-C03"))
    if complaints:
        raise SceneError(complaints)
    first = [(layout or AS_DESCRIBED, state or AS_DESCRIBED)] if "" in named else []
    wanted = dict.fromkeys([*first, *(asked[name] for name in named if name)])
    return [prepare(path, *one) for one in wanted]
