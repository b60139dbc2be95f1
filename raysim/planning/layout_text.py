"""Layouts as the text of a scene file, to paste at its end."""

import json
import math
from collections.abc import Sequence

from raysim.scene.plan import Item, Layout


def layouts_text(layouts: Sequence[Layout]) -> str:
    """Give layouts as ``[[layout]]`` tables.

    Parameters
    ----------
    layouts : sequence of Layout
        Their pieces are of the catalogue or of the scene that the text is for.

    Returns
    -------
    str
        Read back, it gives the same layouts.
    """
    return "\n".join(line for layout in layouts for line in _layout_lines(layout)) + "\n"


def _layout_lines(layout: Layout) -> list[str]:
    lines = ["[[layout]]", f"name = {_text(layout.name)}", f"about = {_text(layout.about)}"]
    if layout.without:
        lines.append(f"without = [{', '.join(_text(name) for name in layout.without)}]")
    lines.append("")
    for item in layout.items:
        lines += [*_item_lines(item), ""]
    return lines


def _item_lines(item: Item) -> list[str]:
    treatment = item.treatment
    from_m = ", ".join(f"{_text(name)} = {_number(m)}" for name, m in item.from_m)
    lines = [
        "[[layout.item]]",
        f"name = {_text(item.name)}",
        f"treatment = {_text(treatment.name)}",
        f"on = {_text(item.on)}",
        f"from_m = {{ {from_m} }}",
    ]
    lines += _size_lines(item)
    if item.corner:
        lines.append(f"corner = {_text(item.corner)}")
    if item.gap_m:
        lines.append(f"gap_mm = {_number(1000.0 * item.gap_m)}")
    if item.depth_m != treatment.depth_m:
        lines.append(f"depth_mm = {_number(1000.0 * item.depth_m)}")
    if item.turn_deg:
        lines.append(f"turn_deg = {_number(item.turn_deg)}")
    if item.fixing != treatment.fixings[0]:
        lines.append(f"fixing = {_text(item.fixing)}")
    return lines


def _size_lines(item: Item) -> list[str]:
    """Say how large an item is: by pieces where it is made of them."""
    size_m, count = item.treatment.size_m, item.count
    sides = () if size_m is None else ((False, size_m), (True, (size_m[1], size_m[0])))
    for upright, (along, up) in sides:
        whole_m = (along * count[0], up * count[1])
        if all(map(math.isclose, whole_m, item.size_m)):
            lines = ["upright = true"] if upright else []
            return lines + ([f"count = [{count[0]}, {count[1]}]"] if count != (1, 1) else [])
    return [f"size_m = [{_number(item.size_m[0])}, {_number(item.size_m[1])}]"]


def _number(value: float) -> str:
    """Give a number without the last digits of rounding."""
    return f"{value:.9g}"


def _text(words: str) -> str:
    return json.dumps(words, ensure_ascii=False)
