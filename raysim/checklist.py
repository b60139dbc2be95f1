"""What ``raysim check`` and ``raysim materials`` print: tables and plain sentences."""

from collections.abc import Iterable

from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.check import MODEL_IGNORES, Expectation
from raysim.report.limits import CAUTIONS
from raysim.report.numbers import amount, band_name, frequency
from raysim.scene.model import Bands, Material
from raysim.study import Prepared
from raysim.units import Float


def checklist(
    prepared: Prepared, expected: Expectation, is_last: bool = True
) -> RenderableType:
    """Give all that a check found, to print with rich.

    What holds for every layout of a scene comes with the last one.
    """
    scene, mesh, bands = prepared.scene, prepared.mesh, prepared.scene.bands
    is_plain = prepared.layout is None and prepared.state is None
    title = scene.title if is_plain and is_last else f"{scene.title}: {prepared.name}"
    parts: list[RenderableType] = [
        Text(title, style="bold"),
        _sizes(prepared, expected),
        _surfaces(prepared),
        _decay(expected, bands),
    ]
    parts += [Text(f"Note: {note}") for note in prepared.notes]
    parts += [Text(f"Warning: {warning}") for warning in expected.warnings]
    lost = 1e6 * expected.n_lost / max(expected.n_segment, 1)
    tight = "The mesh is closed: every edge joins two faces" if mesh.faces.size else "No mesh"
    parts += [
        Text(
            f"{tight}. Of {expected.n_segment} ray legs {expected.n_lost} were lost "
            f"({lost:.1f} in a million)."
        ),
        Text(""),
    ]
    if not is_last:
        return Group(*parts)
    parts += [
        _listed("Not in the model, whatever the scene says:", MODEL_IGNORES),
    ]
    if scene.ignored:
        parts.append(_listed("Left out by this scene, as its author says:", scene.ignored))
    parts.append(_listed("Take care:", CAUTIONS))
    return Group(*parts)


def _listed(head: str, sentences: Iterable[str]) -> Text:
    return Text("\n".join([head, *(f"  - {s}" for s in sentences)]) + "\n")


def _sizes(prepared: Prepared, expected: Expectation) -> RenderableType:
    mesh = prepared.mesh
    table = Table(box=SIMPLE, show_header=False, pad_edge=False)
    rows = (
        ("Empty room", f"{mesh.envelope_volume_m3:.2f} m3, {mesh.envelope_area_m2:.2f} m2"),
        ("With what stands in it", f"{mesh.air_volume_m3:.2f} m3, {mesh.area_m2:.2f} m2"),
        ("Mean free path 4V/S", f"{expected.mean_free_path_m:.2f} m"),
        (
            "Transition frequency",
            f"{frequency(expected.transition_hz)}: single modes rule below it, and decay "
            "times there are a rough guide",
        ),
        (
            "Sources, receivers",
            f"{len(prepared.scene.sources)}, {len(prepared.scene.receivers)}",
        ),
        ("Faces, planes", f"{len(mesh.faces)}, {prepared.room.mirrors.n_mirror}"),
    )
    for name, value in rows:
        table.add_row(name, value)
    return table


def _surfaces(prepared: Prepared) -> RenderableType:
    """List every surface with its material and where its numbers come from."""
    bands, sides = prepared.scene.bands, prepared.room.sides
    show = [i for i, label in enumerate(bands.labels) if label in ("125", "500", "2k")]
    table = Table(box=SIMPLE, pad_edge=False, title="Surfaces", title_justify="left")
    table.add_column("surface")
    table.add_column("m2", justify="right", no_wrap=True)
    table.add_column("material")
    for k, name in enumerate(sides.names):
        table.add_row(name, amount(float(sides.area_m2[k]), 0.01), sides.materials[k])
    used = Table(
        box=SIMPLE, pad_edge=False, title_justify="left",
        title="Materials: absorption, likely (least-most)",
    )  # fmt: skip
    used.add_column("material")
    for i in show:
        used.add_column(f"{bands.labels[i]} Hz", justify="right", no_wrap=True)
    used.add_column("scattering", justify="right")
    sources = []
    for name in dict.fromkeys(sides.materials):
        material = prepared.scene.materials[name]
        scattering = f"{material.scattering.mean():.2f}"
        used.add_row(name, *(_range(material, i) for i in show), scattering)
        sources.append(f"{name}: {material.source}.")
    return Group(table, used, _listed("Where these numbers come from:", sources))


def _range(material: Material, i_band: int) -> str:
    low, likely, high = (
        float(a[i_band]) for a in (material.alpha_low, material.alpha, material.alpha_high)
    )
    if low == high:
        return f"{likely:.2f}"
    return f"{likely:.2f} ({low:.2f}-{high:.2f})"


def _decay(expected: Expectation, bands: Bands) -> RenderableType:
    table = Table(
        box=SIMPLE, pad_edge=False, title_justify="left",
        title="Decay time to expect, seconds, if the room were diffuse",
    )  # fmt: skip
    table.add_column("")
    for label in bands.labels:
        table.add_column(label, justify="right")

    def row(name: str, values: Float) -> None:
        table.add_row(name, *(f"{v:.2f}" for v in values))

    row("Sabine", expected.sabine_s)
    row("Eyring", expected.eyring_s)
    row("Eyring, most absorbing", expected.eyring_low_s)
    row("Eyring, least absorbing", expected.eyring_high_s)
    return table


def material_table(materials: Iterable[Material], bands: Bands) -> RenderableType:
    """List materials with absorption and scattering, and below them their sources.

    It fits 80 columns, and no name is cut: names are there to be copied.
    """
    materials = list(materials)
    show = [i for i, label in enumerate(bands.labels) if label in ("125", "500", "2k")]
    numbers = {s: i for i, s in enumerate(dict.fromkeys(m.source for m in materials), 1)}
    table = Table(
        box=SIMPLE, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False,
        title_justify="left", title="Absorption α: likely, least-most; no. of its source below",
    )  # fmt: skip
    longest = max((len(m.name) for m in materials), default=0)
    table.add_column("material", no_wrap=True, min_width=longest)
    for i in show:
        table.add_column(band_name(bands.labels[i]), justify="right", no_wrap=True)
    table.add_column("scatter", justify="right", no_wrap=True)
    table.add_column("no.", justify="right", no_wrap=True)
    for m in materials:
        spans = (
            f"{_short(m.alpha[i])} {_short(m.alpha_low[i])}-{_short(m.alpha_high[i])}"
            for i in show
        )
        scatters = _short(m.scattering.mean())
        table.add_row(m.name, *spans, scatters, str(numbers[m.source]))
    listed = Table.grid(padding=(0, 1))
    listed.add_column(justify="right", no_wrap=True)
    listed.add_column(overflow="fold")
    for source, number in numbers.items():
        listed.add_row(str(number), source)
    return Group(table, Text("\nSources"), listed)


def _short(share: float) -> str:
    """Give a share of one to two decimals in as few letters as can be: .14, 0, 1."""
    text = f"{share:.2f}"
    return text[:-3] if text.endswith(".00") else text.removeprefix("0")
