"""The table of a pair's measures by band, as text ready to lay out.

Every number has its unit in the row and its standard error beside it; why a number is
missing is said once below.
"""

from collections.abc import Callable
from dataclasses import dataclass

from raysim.report.charts import COPIED
from raysim.report.facts import LayoutFacts
from raysim.report.numbers import NOTHING, amount, band_name, level, plus_minus, share_pct
from raysim.report.pairs import PairFacts
from raysim.scene.model import Bands
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of a table and its standard error, as text; the row has the unit."""

    text: str
    error: str = ""
    is_hint: bool = False  # below the transition frequency


@dataclass(frozen=True, slots=True)
class Row:
    """One measure: its everyday name, its symbol, its unit, a number per column."""

    name: str
    symbol: str
    unit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under columns, with what the columns are."""

    ident: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    reasons: tuple[str, ...]  # why numbers are missing
    caption: str


def cell_of(text: str, error: float, resolution: float, is_hint: bool = False) -> Cell:
    """Give a printed number and its standard error; a missing number has none."""
    return Cell(text, "" if text == NOTHING else plus_minus(error, resolution), is_hint)


#: Everyday name, symbol, unit, attribute, how to print, resolution. In the order shown.
_Print = Callable[[float, float], str]
_MEASURES: tuple[tuple[str, str, str, str, _Print, float, float], ...] = (
    ("How long it lingers", "T30", "s", "t30_s", amount, 0.01, 1.0),
    ("… from the first 20 dB of it", "T20", "s", "t20_s", amount, 0.01, 1.0),
    ("First impression of decay", "EDT", "s", "edt_s", amount, 0.01, 1.0),
    ("Unevenness of the decay", "C", "%", "curvature_pct", level, 1.0, 1.0),
    ("Speech: early over late", "C50", "dB", "c50_db", level, 0.1, 1.0),
    ("Music: early over late", "C80", "dB", "c80_db", level, 0.1, 1.0),
    ("Share that comes early", "D50", "%", "d50", lambda v, _: share_pct(v), 1.0, 100.0),
    (
        "Centre of the energy",
        "Ts",
        "ms",
        "ts_s",
        lambda v, r: amount(1000.0 * v, r),
        1.0,
        1000.0,
    ),
    ("Strength re 10 m in the open", "G", "dB", "g_db", level, 0.1, 1.0),
    ("Share from the sides", "J_LF", "%", "j_lf", lambda v, _: share_pct(v), 1.0, 100.0),
)


def measures_table(layout: LayoutFacts, pair: PairFacts, bands: Bands, ident: str) -> Table:
    """Lay out the measures of a pair.

    Parameters
    ----------
    layout : LayoutFacts
    pair : PairFacts
    bands : Bands
    ident : str
        Unique on the page.

    Returns
    -------
    Table
    """
    rows = []
    missing: dict[str, dict[str, list[str]]] = {}
    for name, symbol, unit, attribute, show, resolution, factor in _MEASURES:
        values: Float = getattr(pair.measures, attribute)
        errors = pair.measures.error[attribute] * factor
        for label, why in zip(bands.labels, pair.measures.why.get(attribute, ()), strict=False):
            if why:
                missing.setdefault(why, {}).setdefault(symbol, []).append(label)
        cells = (
            cell_of(show(float(v), resolution), float(e), resolution, bool(layout.is_modal[i]))
            for i, (v, e) in enumerate(zip(values, errors, strict=True))
        )
        rows.append(Row(name, symbol, unit, tuple(cells)))
    caption = (
        "ISO 3382-1 and -2. ± is one standard error of the calculation; for a directional "
        "microphone it may be up to 1.6 times larger, and for the share from the sides it is "
        "not known. The room's own data are less certain than that. Grey columns lie below the "
        "transition frequency."
    )
    return Table(
        f"{ident}-measures",
        "Measures by band",
        tuple(band_name(label) for label in bands.labels),
        tuple(rows),
        tuple(_reason(why, where) for why, where in missing.items()),
        f"{caption} {COPIED}" if "63" in bands.labels else caption,
    )


def _reason(why: str, where: dict[str, list[str]]) -> str:
    """Say once why some numbers are missing, and which."""
    named = (
        f"{symbol} at {', '.join(band_name(label) for label in labels)}"
        for symbol, labels in where.items()
    )
    return f"{NOTHING} {'; '.join(named)}: {why}."
