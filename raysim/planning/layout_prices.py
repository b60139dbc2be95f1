"""What the layouts of a result file cost, by the bill of the scene that they came from."""

from pathlib import Path

from raysim.compare.front import Price
from raysim.compare.leave_one_out import reduced
from raysim.errors import Complaint, SceneError
from raysim.planning.bill import bill
from raysim.scene.plan import Layout
from raysim.scene.prices import read_prices, stock_prices
from raysim.scene.read import collect_scene
from raysim.store.file import Results


def layout_prices(
    results: Results, scene_path: Path, prices_path: Path | None = None
) -> tuple[dict[str, Price], str]:
    """Price the layouts of a result file.

    Parameters
    ----------
    results : Results
    scene_path : Path
        Scene file or folder, for what the layouts are made of.
    prices_path : Path, optional
        A price file of the user's, over that of the scene.

    Returns
    -------
    dict of str to Price, str
        By the name results are stored under, and the currency; the room as described costs
        nothing. Layouts that the scene does not have are left out.

    Raises
    ------
    SceneError
        With every mistake of the scene and its prices. RS-T53: it has none of the layouts.
    """
    complaints: list[Complaint] = []
    scene = collect_scene(scene_path, complaints)
    if scene is None or complaints:
        raise SceneError(complaints)
    prices = scene.prices or stock_prices()
    if prices_path is not None:
        needed = {a.good for t in scene.treatments.values() for a in t.goods}
        prices = read_prices(prices_path, complaints, needed)
    if complaints:
        raise SceneError(complaints)
    known: dict[str, Layout] = {}
    for layout in scene.layouts:
        known |= {one.name: one for one in (layout, *reduced(layout))}
    found, currencies = {}, []
    for name in results.layout_names:
        asked = results.layout(name).treatment_layout
        if asked and asked not in known:
            continue
        counted = bill(known[asked].items if asked else (), prices)
        money = counted.price
        found[name] = Price(money.low, money.likely, money.high)
        currencies.append(counted.currency)
    if not any(results.layout(name).treatment_layout for name in found):
        wrong = "the scene has none of the layouts of the result file."
        fix = "Give the scene that was simulated."
        raise SceneError(Complaint(str(scene.path), wrong, fix, "RS-T53"))
    return found, next(filter(None, currencies), "")
