"""The room to scale: plan, two sections, and a view from above at an angle.

Thick lines are cut, thin lines lie beyond the cut, dashed lines hang above it, as is
usual in building drawings. Metres become drawing units by one factor per drawing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from raysim.report.shell import Edges, Inset, Shell, cut_segments, edges_of, insets_of, thing_of
from raysim.report.svg import Canvas, Figure, path_data
from raysim.units import Float

Bool = NDArray[np.bool_]

_WIDTH = 460.0
_MARGIN = 44.0
_TALLEST = 470.0

#: More triangles than this are drawn as edges only, to keep the page small.
_MANY_FACES = 3000

_AXIS_NAMES = ("x", "y", "z")


class Place(Protocol):
    """A source or a receiver."""

    @property
    def name(self) -> str:
        """What the scene calls it."""

    @property
    def position_m(self) -> Float:
        """Where it is, (3,)."""

    @property
    def aim(self) -> Float:
        """Unit vector of its axis, (3,)."""


@dataclass(frozen=True, slots=True)
class _View:
    """How world coordinates lie on the paper of a plan or section."""

    across: int  # the axis drawn to the right
    up: int  # the axis drawn upwards
    depth: int  # the axis cut
    at_m: float
    low: Float  # (3,) corner of the room's box
    scale: float  # units per metre
    base: float  # where the lowest point is drawn

    def lay(self, points_m: Float) -> Float:
        """Put points (..., 3) on paper (..., 2)."""
        points = np.asarray(points_m, dtype=np.float64)
        x = _MARGIN + self.scale * (points[..., self.across] - self.low[self.across])
        y = self.base - self.scale * (points[..., self.up] - self.low[self.up])
        return np.stack([x, y], axis=-1)


def room_figures(
    shell: Shell, sources: Sequence[Place], receivers: Sequence[Place], ident: str = "room"
) -> tuple[Figure, ...]:
    """Draw plan, two sections and the view at an angle.

    Parameters
    ----------
    shell : Shell
    sources, receivers : sequence of Place
    ident : str
        Begin of the figures' names, unique on the page.

    Returns
    -------
    tuple of Figure
    """
    edges = edges_of(shell)
    insets = insets_of(shell, edges)
    places = [p.position_m for p in (*receivers, *sources)]
    middle = np.mean(places, axis=0)
    cuts = (("plan", (0, 1, 2)), ("section-x", (0, 2, 1)), ("section-y", (1, 2, 0)))
    flat = (
        _flat(
            shell, edges, insets, sources, receivers, axes, float(middle[axes[2]]),
            f"{ident}-{name}",
        )
        for name, axes in cuts
    )  # fmt: skip
    return (*flat, _angled(shell, edges, sources, receivers, f"{ident}-view"))


def _flat(
    shell: Shell,
    edges: Edges,
    insets: tuple[Inset, ...],
    sources: Sequence[Place],
    receivers: Sequence[Place],
    axes: tuple[int, int, int],
    at_m: float,
    ident: str,
) -> Figure:
    low, high = shell.vertices_m.min(axis=0), shell.vertices_m.max(axis=0)
    size = high - low
    across, up, depth = axes
    scale = min(
        (_WIDTH - 2 * _MARGIN) / float(size[across]), (_TALLEST - 2 * _MARGIN) / float(size[up])
    )
    is_plan = depth == 2
    top = 26.0 if is_plan else 8.0  # room for the names of walls
    view = _View(across, up, depth, at_m, low, scale, scale * float(size[up]) + top)
    canvas = Canvas(_WIDTH, view.base + _MARGIN + 4.0)

    cut, cut_face = cut_segments(shell.triangles_m, depth, at_m)
    _draw_beyond(canvas, view, edges, is_plan)
    canvas.segments(view.lay(cut), "cut")
    canvas.avoid(view.lay(cut))
    for inset in insets:
        _draw_edge_on(canvas, view, shell, inset, cut, cut_face)
    if is_plan:
        _name_walls(canvas, view, shell, insets, cut, cut_face)
    _draw_places(canvas, view, sources, receivers)
    for inset in insets:
        _name_inset(canvas, view, shell, inset, is_plan)
    if is_plan:
        _name_things(canvas, view, shell)
    _scale_bar(canvas, view)

    words = f"{size[across]:.2f} m by {size[up]:.2f} m"
    names = ", ".join(p.name for p in sources), ", ".join(p.name for p in receivers)
    if is_plan:
        title = "Plan"
        caption = (
            f"Seen from above, cut at {at_m:.2f} m height; {words} overall. Dashed lines lie "
            "above the cut. Filled marks sound and point where they aim; rings listen."
        )
    else:
        title = f"Section along {_AXIS_NAMES[across]}"
        caption = (
            f"Cut at {_AXIS_NAMES[depth]} = {at_m:.2f} m, looking towards "
            f"{'larger y' if depth == 1 else 'smaller x'}; {words} overall. Sources and "
            "receivers are shown wherever they stand."
        )
    desc = f"{title} to scale, {words}. Sources: {names[0]}. Receivers: {names[1]}."
    return canvas.figure(ident, title, desc, caption)


def _draw_beyond(canvas: Canvas, view: _View, edges: Edges, is_plan: bool) -> None:
    """Draw edges beyond the cut thin; above the cut of a plan dashed."""
    along = edges.segments_m[:, :, view.depth]
    # In a section along x the eye looks towards +y, along y towards -x; in a plan, down.
    beyond = (
        along.max(axis=1) <= view.at_m if view.depth != 1 else along.min(axis=1) >= view.at_m
    )
    paper = view.lay(edges.segments_m)
    long = np.abs(paper[:, 0] - paper[:, 1]).sum(axis=1) > 0.5  # not seen end-on
    if is_plan:
        canvas.segments(paper[long & ~beyond & (along.min(axis=1) > view.at_m)], "overhead")
    canvas.segments(paper[long & beyond], "beyond")


def _draw_edge_on(
    canvas: Canvas, view: _View, shell: Shell, inset: Inset, cut: Float, cut_face: np.ndarray
) -> None:
    """Draw a door or window in a wall that is seen edge-on as a band along the wall."""
    if abs(float(inset.normal[view.depth])) > 0.02:
        return
    own = cut[shell.face_surface[cut_face] == inset.surface]
    if len(own):
        canvas.segments(view.lay(own), "inset")
        return
    paper = view.lay(inset.corners_m)
    spread = paper.max(axis=0) - paper.min(axis=0)
    order = np.argsort(paper[:, int(np.argmax(spread))])
    canvas.path(paper[[order[0], order[-1]]], "inset faint")


def _name_walls(
    canvas: Canvas,
    view: _View,
    shell: Shell,
    insets: tuple[Inset, ...],
    cut: Float,
    cut_face: np.ndarray,
) -> None:
    """Write the name of each cut wall outside it, along it."""
    inset = {i.surface for i in insets}
    surface = shell.face_surface[cut_face]
    for i_surface in np.unique(surface).tolist():
        name = shell.surfaces[i_surface].name
        if i_surface in inset or thing_of(name, shell) is not None:
            continue
        own = np.flatnonzero(surface == i_surface)
        longest = own[int(np.argmax(np.linalg.norm(cut[own, 0] - cut[own, 1], axis=1)))]
        normal = shell.face_normal[cut_face[longest]]
        x, y = view.lay(cut[longest]).mean(axis=0)
        dx, dy = -float(normal[0]), float(normal[1])  # outwards, on paper
        run = 0.56 * 11.0 * len(name)
        for off in (0.0, 13.0, 26.0):
            if abs(dx) > abs(dy):
                at_x = x + (15.0 + off if dx > 0 else -7.0 - off)
                box = (at_x - 11, y - 0.5 * run, 14.0, run)
            else:
                at_x = x
                box = (x - 0.5 * run, y + (5.0 + off if dy > 0 else -18.0 - off), run, 14.0)
            if canvas.is_free(*box):
                break
        else:
            continue  # no room for this name
        canvas.keep_off(*box)
        if abs(dx) > abs(dy):
            canvas.upright(at_x, y, name, "wall")
        else:
            canvas.text(x, box[1] + 11.0, name, "wall", "middle")


def _draw_places(
    canvas: Canvas, view: _View, sources: Sequence[Place], receivers: Sequence[Place]
) -> None:
    """Mark sources and receivers with their aim, then label them."""
    marked = [(p, False) for p in receivers] + [(p, True) for p in sources]
    for place, _ in marked:
        x, y = view.lay(place.position_m)
        canvas.keep_off(x - 6, y - 6, 12, 12)
    for place, sounds in marked:
        x, y = view.lay(place.position_m)
        aim = view.lay(place.position_m + place.aim) - view.lay(place.position_m)
        reach = float(np.linalg.norm(aim)) / view.scale
        if reach > 0.1:
            tip_x, tip_y = x + 17.0 * aim[0] / view.scale, y + 17.0 * aim[1] / view.scale
            canvas.line(x, y, tip_x, tip_y, "aim" if sounds else "aim faint")
        canvas.mark("circle", x, y, 4.6, "source" if sounds else "receiver")
    for place, sounds in marked:
        x, y = view.lay(place.position_m)
        _name_place(canvas, x, y, place.name, sounds)


def _name_place(canvas: Canvas, x: float, y: float, name: str, sounds: bool) -> None:
    """Write a source's name, which is bold and so wider, or a receiver's."""
    if sounds:
        canvas.label(x, y, name, "source-name", 13.0)
    else:
        canvas.label(x, y, name, "receiver-name")


def _name_inset(canvas: Canvas, view: _View, shell: Shell, inset: Inset, is_plan: bool) -> None:
    """Write the name of a door, window or rug where this view shows it."""
    facing = float(inset.normal[view.depth])
    edge_on = abs(facing) < 0.02
    if not is_plan and edge_on:
        return  # the plan names it
    if not is_plan:
        eye = 1.0 if view.depth == 0 else -1.0
        mid = 0.5 * float(np.ptp(inset.corners_m[:, view.depth])) + float(
            inset.corners_m[:, view.depth].min()
        )
        behind = mid >= view.at_m if view.depth == 1 else mid <= view.at_m
        if facing * eye < 0.3 or not behind:
            return
    paper = view.lay(inset.corners_m)
    x, y = 0.5 * (paper.min(axis=0) + paper.max(axis=0))
    canvas.label(x, y, shell.surfaces[inset.surface].name, "inset-name", 11.0)


def _name_things(canvas: Canvas, view: _View, shell: Shell) -> None:
    """Write what stands in the room at the middle of its footprint."""
    corners: dict[str, list[Float]] = {}
    for i_surface, surface in enumerate(shell.surfaces):
        thing = thing_of(surface.name, shell)
        if thing is not None:
            own = shell.triangles_m[shell.face_surface == i_surface].reshape(-1, 3)
            corners.setdefault(thing, []).append(own)
    for thing, parts in corners.items():
        paper = view.lay(np.concatenate(parts))
        x, y = 0.5 * (paper.min(axis=0) + paper.max(axis=0))
        canvas.label(x, y, thing, "thing-name", 11.0, is_centred=True)


def _scale_bar(canvas: Canvas, view: _View) -> None:
    """Draw one metre, half of it filled, at the lower left."""
    y = canvas.height - 12.0
    canvas.rect(_MARGIN, y - 3, 0.5 * view.scale, 5, "bar-full")
    canvas.rect(_MARGIN + 0.5 * view.scale, y - 3, 0.5 * view.scale, 5, "bar-open")
    canvas.text(_MARGIN + view.scale + 7, y + 4, "1 m", "tick")


def _paint(
    canvas: Canvas,
    shell: Shell,
    edges: Edges,
    lay: Callable[[Float], Float],
    seen: Bool,
    inside: Bool,
    towards_eye: Float,
) -> None:
    """Paint what faces the eye from far to near, one flat part after the other.

    Floors come first, since nothing lies behind them; what stands in the room last.
    """
    key = np.round(
        np.column_stack(
            [
                shell.face_normal,
                np.einsum("ij,ij->i", shell.face_normal, shell.triangles_m[:, 0]),
                inside,
            ]
        ),
        4,
    )
    part = np.unique(key, axis=0, return_inverse=True)[1].ravel()
    of_part: dict[int, list[int]] = {}
    hidden: list[int] = []
    for i_edge, around in enumerate(edges.faces):
        shown = {int(part[i]) for i in around if seen[i]}
        for p in shown:
            of_part.setdefault(p, []).append(i_edge)
        if not shown and not inside[list(around)].any():
            hidden.append(i_edge)
    depth = shell.triangles_m.mean(axis=1) @ towards_eye
    area = shell.face_area_m2
    order = []
    for p in np.unique(part[seen]).tolist():
        own = np.flatnonzero(part == p)
        is_floor = bool(shell.face_normal[own[0], 2] > 0.99)
        mean_depth = float(np.average(depth[own], weights=area[own]))
        stands = bool(inside[own[0]])
        order.append((stands, stands or not is_floor, round(mean_depth, 6), p))
    lines = lay(edges.segments_m)
    for *_, p in sorted(order):
        own = np.flatnonzero(part == p)
        across, along, up = np.abs(shell.face_normal[own[0]])
        tone = "floor" if up > 0.7 else "flank" if across > along else "side"
        corners = lay(shell.triangles_m[own])
        joined = "".join(path_data(c, close=True) for c in corners)
        thing = " thing" if inside[own[0]] else ""
        canvas.parts.append(f'<path class="face {tone}{thing}" d="{joined}"/>')
        if p in of_part:
            canvas.segments(lines[of_part[p]], "crease")
    canvas.segments(lines[hidden], "ghost")


def _angled(
    shell: Shell,
    edges: Edges,
    sources: Sequence[Place],
    receivers: Sequence[Place],
    ident: str,
) -> Figure:
    """Look down at the room at an angle; surfaces that face away are left open."""
    towards_eye = np.array([-0.42, -0.66, 0.62])
    towards_eye /= np.linalg.norm(towards_eye)
    right = np.cross([0.0, 0.0, 1.0], towards_eye)
    right /= np.linalg.norm(right)
    basis = np.stack([right, np.cross(towards_eye, right)])

    flat = shell.vertices_m @ basis.T
    low, size = flat.min(axis=0), np.ptp(flat, axis=0)
    scale = min((_WIDTH - 50) / float(size[0]), (_TALLEST - 50) / float(size[1]))
    height = scale * float(size[1]) + 50
    left = 0.5 * (_WIDTH - scale * float(size[0]))

    def lay(points_m: Float) -> Float:
        xy = (np.asarray(points_m) @ basis.T - low) * scale
        return np.stack([left + xy[..., 0], height - 25 - xy[..., 1]], axis=-1)

    canvas = Canvas(_WIDTH, height)
    inside = np.array([thing_of(s.name, shell) is not None for s in shell.surfaces])
    inside = inside[shell.face_surface]
    sheet = np.array([s.back_name is not None for s in shell.surfaces])
    seen = (shell.face_normal @ towards_eye > 1e-6) | sheet[shell.face_surface]
    if len(shell.faces) > _MANY_FACES:
        canvas.segments(lay(edges.segments_m), "beyond")
    else:
        _paint(canvas, shell, edges, lay, seen, inside, towards_eye)
    bottom = float(shell.vertices_m[:, 2].min())
    marked = [(p, False) for p in receivers] + [(p, True) for p in sources]
    for place, sounds in marked:
        foot = np.array([place.position_m[0], place.position_m[1], bottom])
        (x, y), (foot_x, foot_y) = lay(place.position_m), lay(foot)
        canvas.line(x, y, foot_x, foot_y, "drop")
        canvas.mark("circle", x, y, 4.6, "source" if sounds else "receiver")
        canvas.keep_off(x - 6, y - 6, 12, 12)
    for place, sounds in marked:
        x, y = lay(place.position_m)
        _name_place(canvas, x, y, place.name, sounds)
    return canvas.figure(
        ident,
        "View at an angle",
        "The room seen from above, without the walls on the near side. "
        f"Sources: {', '.join(p.name for p in sources)}. "
        f"Receivers: {', '.join(p.name for p in receivers)}.",
        "Walls and ceiling on the near side are left out (dotted). Thin lines drop from each "
        "source and receiver to the floor.",
    )
